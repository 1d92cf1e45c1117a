"""Machines that are sound but not plain memory."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .world import Quirk, World


class Device(Quirk):
    """A few addresses of a region are registers of a device."""

    def __init__(self, region: int, offset: int, size: int, style: str) -> None:
        self.region, self.offset, self.size, self.style = region, offset, size, style
        self.ticks = 0

    def _inside(self, region: int, offset: int) -> bool:
        return region == self.region and self.offset <= offset < self.offset + self.size

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        if not self._inside(region, offset):
            return None
        self.ticks += 1
        register = (offset - self.offset) & 7
        if self.style == "uart":
            register &= 1
            if register == 0:  # status: ready bits come and go
                return (0x02 if world.rng.random() < 0.7 else 0x00) | (0x01 if world.rng.random() < 0.3 else 0x00), 0xFF
            return int(world.rng.integers(0x20, 0x7F)), 0xFF
        if register in (0, 4):
            return (world.count >> 4) & 0xFF, 0xFF  # a counter
        if register in (1, 5):
            return int(world.rng.choice([0x80, 0x81, 0x00, 0xC4])), 0xFF
        if register in (2, 6):
            return 0, 0  # write only: nobody drives
        return int(world.rng.integers(0, 256)), 0xFF

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        return self._inside(region, offset)


class Protected(Quirk):
    """Writes to a page do not take, always or while a switch says so."""

    def __init__(self, region: int, offset: int, size: int, name: str | None, period: int = 0) -> None:
        self.region, self.offset, self.size, self.period = region, offset, size, period
        self.on = True
        self.history: list[tuple[str, list[int], list[int]]] = []
        if name:
            self.history = [(name, [0], [0])]

    def every(self, world: World) -> None:
        if self.period and world.count % self.period == 0:
            self.on = not self.on
            for _, when, levels in self.history:
                when.append(world.count)
                levels.append(0 if self.on else 1)

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        return self.on and region == self.region and self.offset <= offset < self.offset + self.size


class Mirror(Quirk):
    """A range answers with the cells of another, or with fewer address lines than the region has."""

    def __init__(self, region: int, source: int, mask: int) -> None:
        self.region, self.source, self.mask = region, source, mask

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        if region != self.region:
            return None
        return world.cells[self.source][offset & self.mask], 0xFF

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        if region != self.region:
            return False
        world.cells[self.source][offset & self.mask] = value
        return True


class Banks(Quirk):
    """A latch chooses which of several memories answers in one region."""

    def __init__(
        self, region: int, banks: int, latch: int, io: bool, names: list[str], rng: np.random.Generator
    ) -> None:
        self.region, self.banks, self.latch, self.io = region, banks, latch, io
        self.now = 0
        self.rng = rng
        self.store: list[bytearray] | None = None
        self.history: list[tuple[str, list[int], list[int]]] = [(name, [0], [0]) for name in names]

    def _cells(self, world: World) -> bytearray:
        if self.store is None:
            size = world.regions[self.region].size
            self.store = [
                bytearray(self.rng.integers(0, 256, size).astype(np.uint8).tobytes()) for _ in range(self.banks)
            ]
        return self.store[self.now]

    def elsewhere(self, world: World, address: int, value: int, io: bool) -> None:
        if io == self.io and address == self.latch:
            self.now = value % self.banks
            for bit, (_, when, levels) in enumerate(self.history):
                when.append(world.count)
                levels.append(self.now >> bit & 1)

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        return (self._cells(world)[offset], 0xFF) if region == self.region else None

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        if region != self.region:
            return False
        self._cells(world)[offset] = value
        return True


class Shadow(Quirk):
    """Reads come from a ROM, writes go to the RAM under it, until a latch takes the ROM away."""

    def __init__(self, region: int, latch: int, io: bool, name: str | None, image: bytes) -> None:
        self.region, self.latch, self.io, self.image = region, latch, io, image
        self.rom = True
        self.history: list[tuple[str, list[int], list[int]]] = [(name, [0], [0])] if name else []

    def elsewhere(self, world: World, address: int, value: int, io: bool) -> None:
        if io == self.io and address == self.latch:
            self.rom = not value & 1
            for _, when, levels in self.history:
                when.append(world.count)
                levels.append(value & 1)

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        return (self.image[offset], 0xFF) if region == self.region and self.rom else None


class Shared(Quirk):
    """Another master writes into a part of a region now and then, through its own port."""

    def __init__(self, region: int, offset: int, size: int, gap: int) -> None:
        self.region, self.offset, self.size, self.gap = region, offset, size, gap

    def every(self, world: World) -> None:
        if world.count % self.gap == 0 and world.count > 1000:
            cells = world.cells[self.region]
            length = int(world.rng.integers(1, max(2, self.size // 3)))
            first = self.offset + int(world.rng.integers(0, self.size - length + 1))
            cells[first : first + length] = world.rng.integers(0, 256, length).astype(np.uint8).tobytes()


class Narrow(Quirk):
    """Only some lanes have memory."""

    def __init__(self, region: int, lanes: int) -> None:
        self.region, self.lanes = region, lanes

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        return (world.cells[region][offset], self.lanes) if region == self.region else None


class Dip(Quirk):
    """At one moment many cells of the card forget what they held."""

    def __init__(self, moment: int, regions: list[int], share: float) -> None:
        self.moment, self.regions, self.share = moment, regions, share

    def every(self, world: World) -> None:
        if world.count != self.moment:
            return
        for number in self.regions:
            cells = np.frombuffer(bytes(world.cells[number]), np.uint8).copy()
            lost = world.rng.random(len(cells)) < self.share
            fresh = (world.rng.integers(0, 256, len(cells)) & world.rng.integers(0, 256, len(cells))).astype(np.uint8)
            fresh ^= ((np.arange(len(cells)) >> 4) & 1).astype(np.uint8) * 0xFF
            world.cells[number][:] = np.where(lost, fresh, cells).astype(np.uint8).tobytes()


class Blocks(Quirk):
    """An unseen master moves a block into memory; `strike` is called where it has the bus."""

    def __init__(self, region: int, pick: Callable[[], tuple[int, int]]) -> None:
        self.region, self.pick = region, pick

    def strike(self, world: World) -> None:
        """Change one block."""
        first, length = self.pick()
        fresh = world.rng.integers(0, 256, length).astype(np.uint8).tobytes()
        world.cells[self.region][first : first + length] = fresh


class LaneFault(Quirk):
    """Lanes of chips that do not do what they should (a real fault)."""

    def __init__(
        self, regions: list[int], lanes: int, style: str, rate: float = 1.0, level: int = 0, bit: int = 0, cell: int = 0
    ) -> None:
        self.regions, self.lanes, self.style = regions, lanes, style
        self.rate, self.level, self.bit, self.cell = rate, level, bit, cell

    def _folded(self, offset: int) -> int:
        return offset | 1 << self.bit if self.level else offset & ~(1 << self.bit)

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        if region not in self.regions:
            return None
        value = world.cells[region][offset]
        if self.style == "dead":
            return value, 0xFF & ~self.lanes
        if self.style == "stuck" or (self.style == "cell" and offset == self.cell):
            if self.rate < 1 and world.rng.random() > self.rate:
                return None
            return (value | self.lanes if self.level else value & ~self.lanes), 0xFF
        if self.style == "address":
            other = world.cells[region][self._folded(offset)]
            return other & self.lanes | value & ~self.lanes, 0xFF
        return None

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        if region not in self.regions or self.style in ("stuck", "cell"):
            return False
        cells = world.cells[region]
        keep = cells[offset] & self.lanes | value & ~self.lanes
        cells[offset] = keep & 0xFF
        if self.style == "address":
            other = self._folded(offset)
            cells[other] = cells[other] & ~self.lanes & 0xFF | value & self.lanes
        return True
