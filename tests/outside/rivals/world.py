"""The card as it is: memory cells, what drives the bus, and what makes a machine unusual or a part bad."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Region:
    """A range of addresses of one memory."""

    name: str
    start: int
    size: int
    kind: str = "ram"
    part: str | None = None
    chips: list[tuple[str, int, int]] = field(default_factory=list)
    """Designator, lowest and highest lane of each chip."""
    select: str | None = None
    listed: bool = True
    """Whether the board file names it."""
    image: bytes | None = None

    @property
    def end(self) -> int:
        """The last address."""
        return self.start + self.size - 1

    def lanes_of(self, chip: int) -> int:
        """The mask of the lanes of a chip."""
        _, low, high = self.chips[chip]
        return (1 << (high + 1)) - (1 << low)


class Quirk:
    """Something unusual about the machine, or a fault of the card. The plain one changes nothing."""

    def every(self, world: World) -> None:
        """Called before each cycle."""

    def read(self, world: World, region: int, offset: int) -> tuple[int, int] | None:
        """What the region drives: data and the mask of the lanes driven; None: as plain memory."""
        return None

    def write(self, world: World, region: int, offset: int, value: int) -> bool:
        """Whether the write has been dealt with."""
        return False

    def elsewhere(self, world: World, address: int, value: int, io: bool) -> None:
        """A write outside all memory, or to a port."""


class World:
    """Cells of all regions; reads and writes go through the quirks."""

    def __init__(self, regions: list[Region], rng: np.random.Generator, keeps: bool) -> None:
        self.regions = regions
        self.rng = rng
        self.keeps = keeps
        self.bus = 0xFF
        self.count = 0
        self.quirks: list[Quirk] = []
        self.cells: list[bytearray] = []
        self.where = [-1] * 65536
        for number, region in enumerate(regions):
            if region.image is not None:
                self.cells.append(bytearray(region.image))
            else:
                wake = rng.integers(0, 256, region.size) & rng.integers(0, 256, region.size)
                wake ^= (np.arange(region.size) >> int(rng.integers(2, 6)) & 1) * 0xFF
                self.cells.append(bytearray(wake.astype(np.uint8).tobytes()))
            for address in range(region.start, region.end + 1):
                self.where[address] = number

    def idle_level(self) -> int:
        """What a bus that nobody drives reads as."""
        return self.bus if self.keeps else 0xFF

    def read(self, address: int) -> tuple[int, int, bool]:
        """Data on the bus, mask of driven lanes, and whether the memory card answered."""
        number = self.where[address]
        if number < 0:
            self.bus = self.idle_level()
            return self.bus, 0, False
        offset = address - self.regions[number].start
        answer = None
        for quirk in self.quirks:
            answer = quirk.read(self, number, offset)
            if answer is not None:
                break
        value, mask = answer if answer is not None else (self.cells[number][offset], 0xFF)
        self.bus = value & mask | self.idle_level() & ~mask & 0xFF
        return self.bus, mask, self.regions[number].listed

    def write(self, address: int, value: int) -> bool:
        """Write; tells whether the memory card was addressed."""
        self.bus = value
        number = self.where[address]
        if number < 0:
            for quirk in self.quirks:
                quirk.elsewhere(self, address, value, False)
            return False
        region = self.regions[number]
        offset = address - region.start
        if any(quirk.write(self, number, offset, value) for quirk in self.quirks):
            return region.listed
        if region.kind == "ram":
            self.cells[number][offset] = value
        return region.listed
