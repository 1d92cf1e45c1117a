"""The card as physics: rows of chips, a decoder, drivers, and what a line does that nobody drives.

Levels are bytes, one bit a lane. Two drivers against each other: the low one wins (TTL and NMOS sink 2-24 mA and
source far less). A lane nobody drives goes high behind LS inputs or pull-ups (IIL -0.2 to -0.4 mA charges 100 pF in
under 1 us), and else keeps what the wire's capacitance holds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

READ, WRITE, FETCH, IO_READ, IO_WRITE, IDLE, ACK, DMA_READ, DMA_WRITE = range(9)
READS = (READ, FETCH, DMA_READ)
WRITES = (WRITE, DMA_WRITE)

Active = Callable[[int, int, int], bool]  # access number, address, level left on the bus


def always(_index: int, _address: int, _left: int) -> bool:
    """Answer for a hard fault."""
    return True


@dataclass
class Fault:
    """One thing that is wrong: where it sits, what it does, when it acts."""

    kind: str
    scope: str
    component: str | None
    region: int = -1  # the row it sits in; -1 = the whole card
    mask: int = 0xFF  # lanes
    lines: tuple[int, ...] = ()  # address lines, as numbers
    level: int = 0  # of a stuck line, 0 or 1; of a bridge: 0 = AND, 1 = OR
    cell: int = -1  # offset in the row
    aggressor: int = -1
    age: int = 0  # accesses a leaky cell keeps its level
    other: int = -1  # the other row of a decoder fault
    side: str = ""  # read | write | both, where it matters
    active: Active = always
    how: str = "hard"

    def alias(self, offset: int) -> int:
        """Give the address that the far end of a bad line sees."""
        if self.kind == "address-stuck":
            bit = 1 << self.lines[0]
            return offset | bit if self.level else offset & ~bit
        one, two = (1 << line for line in self.lines)
        high = (bool(offset & one) or bool(offset & two)) if self.level else (bool(offset & one) and bool(offset & two))
        return offset | one | two if high else offset & ~(one | two)


@dataclass
class Chip:
    """A memory chip: its name on the card, its type, its lanes."""

    designator: str
    part: str
    mask: int


@dataclass
class Row:
    """A row of chips that one select enables."""

    name: str
    start: int
    size: int
    kind: str
    chips: list[Chip]
    select: str | None
    image: bytes = b""


@dataclass
class Card:
    """Everything on the bus beside the processor."""

    rows: list[Row]
    driver: list[Chip]  # data bus drivers (none: the chips sit on the bus itself)
    driver_part: str
    buffers: list[tuple[str, str, tuple[int, ...]]]  # address buffers: name, part, lines
    decoder: tuple[str, str] | None
    pull: bool  # lanes nobody drives go high on the processor's side
    pull_inner: bool  # and on the card's side of the drivers
    faults: list[Fault] = field(default_factory=list)
    seed: int = 0
    twice: list[tuple[int, int]] = field(default_factory=list)  # where a row answers beside its own place

    def start(self) -> None:
        """Fill the memory with what it holds after power-on and sort the faults by where they act."""
        from random import Random

        draw = Random(self.seed)
        self.where = [-1] * 65536
        self.cells: list[bytearray] = []
        for number, row in enumerate(self.rows):
            self.where[row.start : row.start + row.size] = [number] * row.size
            self.cells.append(bytearray(row.image) if row.kind == "rom" else bytearray(draw.randbytes(row.size)))
        for start, number in self.twice:
            self.where[start : start + self.rows[number].size] = [number] * self.rows[number].size
        self.written = [dict[int, int]() for _ in self.rows]
        self.inner = 0xFF
        self.sites: list[list[Fault]] = [[f for f in self.faults if f.region == n] for n in range(len(self.rows))]
        wide = [f for f in self.faults if f.region < 0]
        self.wide_address = [f for f in wide if f.kind.startswith("address")]
        self.selects = [f for f in self.faults if f.scope == "decoder"]
        self.drivers = [f for f in wide if f.scope in ("buffer", "bus") and not f.kind.startswith("address")]
        self.lost = [f for f in wide if f.kind == "write-lost"]
        self.latch = 0

    def picked(self, index: int, address: int, left: int) -> list[int]:
        """Give the rows whose chips are selected at an address on the bus."""
        row = self.where[address]
        rows = [row] if row >= 0 else []
        if row >= 0 and self.rows[row].kind == "rom":
            return rows
        for fault in self.selects:
            if not fault.active(index, address, left):
                continue
            if fault.kind == "select-missing" and fault.region in rows:
                rows.remove(fault.region)
            elif fault.kind == "select-extra":
                if row >= 0 and (row == fault.other or fault.other < 0) and fault.region not in rows:
                    rows.append(fault.region)
                elif fault.side == "both" and row == fault.region and fault.other not in rows:
                    rows.append(fault.other)  # two outputs shorted: either low pulls both low
            elif fault.kind == "select-swapped" and row in (fault.region, fault.other):
                rows = [fault.other if row == fault.region else fault.region]
        return rows

    def offset(self, index: int, address: int, row: int, left: int) -> int:
        """Give the cell of a row that an address on the bus comes to."""
        for fault in self.wide_address:
            if fault.active(index, address, left):
                address = fault.alias(address)
        return (address - self.rows[row].start) & (self.rows[row].size - 1)

    def read(self, index: int, address: int, left: int) -> tuple[int, bool]:
        """Read the card: the level on the processor's data bus, and whether anything drove it."""
        home = self.where[address]
        if home >= 0 and self.rows[home].kind == "rom":
            value, driven = self.row_read(index, address - self.rows[home].start, home, left)
            value = (value & driven) | (self.floats(left, "read") & ~driven & 0xFF)
            return (value if self.driver else self.wires(index, address, value, left, "read")), True
        rows = self.picked(index, address, left)
        if home < 0:
            return self.floats(left, "read"), False
        value, driven = 0xFF, 0
        for row in rows:
            level, lanes = self.row_read(index, self.offset(index, address, row, left), row, left)
            value &= level | (~lanes & 0xFF)
            driven |= lanes
        if not self.driver:
            value = (value & driven) | (self.floats(left, "read") & ~driven & 0xFF)
            return self.wires(index, address, value, left, "read"), bool(rows)
        inner = (value & driven) | (self.floats(0, "inner") & ~driven & 0xFF)
        inner = self.wires(index, address, inner, left, "inner")
        self.inner = inner
        return self.wires(index, address, inner, left, "read"), True

    def floats(self, left: int, way: str) -> int:
        """Give the level of lanes that nobody drives, on the processor's side or the card's."""
        if way == "read":
            return 0xFF if self.pull else left
        return 0xFF if self.pull_inner else self.inner

    def wires(self, index: int, address: int, value: int, left: int, way: str) -> int:
        """Pass a byte over driver and bus, in one direction, with what is wrong there."""
        for fault in self.drivers:
            here = fault.side == way or fault.side == ("bus" if way == "inner" else "both")
            if here and fault.active(index, address, left):
                value = lanes_changed(fault, value, self.floats(left, way))
        return value

    def write(self, index: int, address: int, data: int, left: int) -> int:
        """Write to the card; give the level that the bus really had (a driver may fight)."""
        home = self.where[address]
        if home >= 0 and self.rows[home].kind == "rom":
            return data
        rows = self.picked(index, address, left)
        if home < 0:
            return data
        inner = data
        for fault in self.drivers:
            if fault.kind != "direction-stuck" or fault.level == 1 or not fault.active(index, address, left):
                continue
            loose = self.floats(0, "inner") & fault.mask
            if fault.level == 0:  # it goes on driving toward the processor: a fight there
                data &= loose | ~fault.mask
            inner = (inner & ~fault.mask & 0xFF) | loose  # nothing drives the card's side
        inner = self.wires(index, address, inner, left, "write")
        if self.driver:
            inner = self.wires(index, address, inner, left, "inner")
            self.inner = inner
        else:
            data = inner
        if any(f.active(index, address, left) for f in self.lost):
            return data
        for row in rows:
            self.row_write(index, self.offset(index, address, row, left), row, inner, left)
        return data

    def row_read(self, index: int, at: int, row: int, left: int) -> tuple[int, int]:
        """Read one row: level and which lanes are driven."""
        cells = self.cells[row]
        faults = self.sites[row]
        if not faults:
            return cells[at], 0xFF
        address = self.rows[row].start + at
        live = [f for f in faults if f.active(index, address, left)]
        value, driven = cells[at], 0xFF
        for fault in live:
            if fault.kind.startswith("address"):
                value = (value & ~fault.mask) | (cells[fault.alias(at)] & fault.mask)
        for fault in live:
            kind = fault.kind
            if fault.cell >= 0 and fault.cell != at:
                continue
            if kind in ("dead", "no-answer", "floating"):
                driven &= ~fault.mask
            elif kind == "leaky":
                if index - self.written[row].get(at, index) > fault.age:
                    value = value | fault.mask if fault.level else value & ~fault.mask
            elif kind == "slow":
                value = (value & ~fault.mask) | (left & fault.mask)
            elif kind in ("stuck-low", "stuck-high", "bridged"):
                value = lanes_changed(fault, value, 0xFF)
        return value & 0xFF, driven & 0xFF

    def row_write(self, index: int, at: int, row: int, data: int, left: int) -> None:
        """Write one row."""
        cells = self.cells[row]
        if self.rows[row].kind == "rom":
            return
        faults = self.sites[row]
        if not faults:
            cells[at] = data
            return
        address = self.rows[row].start + at
        live = [f for f in faults if f.active(index, address, left)]
        stop, moved = 0, 0
        for fault in live:
            if fault.kind in ("dead", "no-answer", "write-lost"):
                if fault.cell < 0 or fault.cell == at:
                    stop |= fault.mask
            elif fault.kind.startswith("address"):
                moved |= fault.mask
        old = cells[at]
        cells[at] = (old & (stop | moved)) | (data & ~(stop | moved) & 0xFF)
        for fault in live:
            if fault.kind.startswith("address"):
                to = fault.alias(at)
                lanes = fault.mask & ~stop
                cells[to] = (cells[to] & ~lanes) | (data & lanes)
        for fault in live:
            if fault.kind == "coupled" and fault.aggressor == at and (old ^ data) & fault.mask:
                flip = fault.mask
                cells[fault.cell] = (cells[fault.cell] & ~flip) | (flip if fault.level else 0)
        self.written[row][at] = index


def lanes_changed(fault: Fault, value: int, floats: int) -> int:
    """Give a byte as it leaves a place with a lane fault."""
    mask = fault.mask
    if fault.kind == "stuck-low":
        return value & ~mask & 0xFF
    if fault.kind == "stuck-high":
        return value | mask
    if fault.kind == "floating":
        return (value & ~mask) | (floats & mask)
    if fault.kind == "direction-stuck" and fault.level != 0:
        return (value & ~mask & 0xFF) | (floats & mask)
    if fault.kind == "bridged":
        held = value & mask
        level = (held != 0) if fault.level else (held == mask)
        return (value & ~mask & 0xFF) | (mask if level else 0)
    return value


class Quirk:
    """Something sound that is no plain memory, or another master; asked at every access."""

    def read(self, card: Card, index: int, address: int, value: int) -> int:
        """Give what the read really gives."""
        return value

    def takes(self, card: Card, index: int, address: int, data: int) -> bool:
        """Say whether a write takes."""
        return True

    def tick(self, card: Card, index: int) -> None:
        """Let time pass."""
