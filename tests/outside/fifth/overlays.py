"""Things in a machine that are not plain memory, and are quite sound."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.outside.fifth.machine import Machine


@dataclass
class Overlay:
    """Does nothing: the kinds below say what they change."""

    low: int = 0
    high: int = -1

    def here(self, address: int) -> bool:
        """Whether it is asked."""
        return self.low <= address <= self.high

    def tick(self, machine: Machine, now: float) -> None:
        """Time goes by."""

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """No answer."""
        return None

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Keeps nothing."""
        return False


@dataclass
class Registers(Overlay):
    """A device's registers in memory: `answer(register, last written, ns)` gives what a read shows."""

    answer: Callable[[int, int, float], int] = lambda register, written, now: 0
    held: dict[int, int] = field(default_factory=dict)

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """The register."""
        if kind == "in" or not self.here(address):
            return None
        return self.answer(address - self.low, self.held.get(address, 0), now) & 0xFF

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Takes it."""
        if kind == "out" or not self.here(address):
            return False
        self.held[address] = data
        return True


@dataclass
class Protected(Overlay):
    """Writes do not take, from one moment to another."""

    begin: float = 0.0
    finish: float = float("inf")

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Refuses."""
        return kind != "out" and self.here(address) and self.begin <= now < self.finish


@dataclass
class Covered(Overlay):
    """A rom lies over the RAM for reads, until `finish` (ns) or a write to a latch; writes go beneath."""

    image: bytes = b""
    finish: float = float("inf")
    latch: int | None = None
    off: bool = False

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """The rom, while it is there."""
        if kind == "in" or self.off or now >= self.finish or not self.here(address):
            return None
        return self.image[(address - self.low) % len(self.image)]

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """The latch turns it off for good."""
        if self.latch is not None and address == self.latch and kind in ("out", "write"):
            self.off = data & 1 == 0
            return kind == "write"
        return False


@dataclass
class Banked(Overlay):
    """Several pages behind one window, by an output port or a latch."""

    latch: int = 0
    by_port: bool = True
    pages: int = 2
    page: int = 0
    seed: int = 0

    def __post_init__(self) -> None:
        size = self.high - self.low + 1
        self.cells = [bytearray(random.Random(f"{self.seed}/{i}").randbytes(size)) for i in range(self.pages)]

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """The page that is in."""
        if kind == "in" or not self.here(address):
            return None
        return self.cells[self.page][address - self.low]

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Into it, or the latch."""
        if (kind == "out" and self.by_port and address & 0xFF == self.latch) or (
                kind == "write" and not self.by_port and address == self.latch):
            self.page = data % self.pages
            return True
        if kind == "out" or not self.here(address):
            return False
        self.cells[self.page][address - self.low] = data
        return True


@dataclass
class OtherMaster(Overlay):
    """A second master that changes cells behind the bus: a mailbox's other side, a controller's own buffer."""

    every: float = 200_000.0
    first: float = 100_000.0
    run: int = 4  # cells that it changes at a time
    seed: int = 0
    fill: Callable[[random.Random], int] = lambda draw: draw.randrange(256)

    def __post_init__(self) -> None:
        self.draw = random.Random(self.seed)
        self.next = self.first

    def tick(self, machine: Machine, now: float) -> None:
        """When its moment comes it writes."""
        while now >= self.next:
            self.next += self.every * self.draw.uniform(0.7, 1.3)
            size = self.high - self.low + 1
            at = self.low + (self.draw.randrange(size - self.run + 1) if size > self.run else 0)
            for address in range(at, min(self.high, at + self.run - 1) + 1):
                region = machine.pages.get(address >> 6)
                if region is not None:
                    machine.cells[region.name][address - region.start] = self.fill(self.draw)


@dataclass
class PowerDip(Overlay):
    """The supply dips: contents are gone at one moment."""

    moment: float = 0.0
    seed: int = 0
    done: bool = False

    def tick(self, machine: Machine, now: float) -> None:
        """At the moment."""
        if self.done or now < self.moment:
            return
        self.done = True
        for region in machine.card.rams():
            cells = machine.cells[region.name]
            cells[:] = random.Random(f"dip{self.seed}{region.name}").randbytes(len(cells))


@dataclass
class Mirror(Overlay):
    """Incomplete decoding: the range shows another range's cells."""

    of: int = 0

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """The same cells."""
        region = machine.pages.get((address - self.low + self.of) >> 6) if self.here(address) else None
        if kind == "in" or region is None:
            return None
        return machine.cells[region.name][address - self.low + self.of - region.start]

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """The same cells."""
        region = machine.pages.get((address - self.low + self.of) >> 6) if self.here(address) else None
        if kind == "out" or region is None:
            return False
        machine.cells[region.name][address - self.low + self.of - region.start] = data
        return True


@dataclass
class SlowWrite(Overlay):
    """An electrically erasable chip: busy for a while after a write, reading the complement of the top bit."""

    busy_ns: float = 2_000_000.0
    until: float = 0.0
    last: int = 0

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """Polling while busy."""
        if kind == "in" or not self.here(address) or now >= self.until:
            return None
        return (self.last ^ 0x80) & 0x80 | 0x3F

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Deaf while busy."""
        if kind == "out" or not self.here(address):
            return False
        if now < self.until:
            return True
        self.until, self.last = now + self.busy_ns, data
        return False
