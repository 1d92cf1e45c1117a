"""Sound things that are no plain memory: registers, protection, banks, other masters, supply dips."""

from __future__ import annotations

from random import Random

from .card import Card, Quirk
from .faults import chance


class Registers(Quirk):
    """A few addresses of a row are a device: status bits that move, ports that read as pins, a timer."""

    def __init__(self, cells: range, style: str, seed: int) -> None:
        self.cells, self.style, self.seed = cells, style, seed

    def read(self, card: Card, index: int, address: int, value: int) -> int:
        if address not in self.cells:
            return value
        place = address - self.cells.start
        if self.style == "timer":
            return (index >> (2 + place)) & 0xFF
        if self.style == "port":
            return (0x5A ^ place * 0x11) & 0xFF
        ready = chance(self.seed, index // 40) < 0.5  # a status bit that comes and goes, the rest wired
        return (0x81 if ready else 0x01) | place << 2 & 0x7C


class Protected(Quirk):
    """Writes to some addresses do not take: a switch, a ROM in the socket, or a battery's write inhibit."""

    def __init__(self, cells: range, begin: int = 0, end: int = 1 << 30) -> None:
        self.cells, self.begin, self.end = cells, begin, end

    def takes(self, card: Card, index: int, address: int, data: int) -> bool:
        return address not in self.cells or not self.begin <= index < self.end


class Mirror(Quirk):
    """A smaller memory than the file says: one address line is not connected by design."""

    def __init__(self, row: int, line: int) -> None:
        self.row, self.line = row, line

    def tick(self, card: Card, index: int) -> None:
        if index == 0:
            half = 1 << self.line
            cells = card.cells[self.row]
            card.cells[self.row] = Folded(bytes(cells), half)


class Folded(bytearray):
    """Cells of which two addresses share one."""

    def __init__(self, cells: bytes, half: int) -> None:
        super().__init__(cells)
        self.half = half

    def __getitem__(self, at):  # type: ignore[no-untyped-def]
        return bytearray.__getitem__(self, at & ~self.half)

    def __setitem__(self, at, value):  # type: ignore[no-untyped-def]
        bytearray.__setitem__(self, at & ~self.half, value)


class Banks(Quirk):
    """Two memories under one row's addresses; something that is not clipped changes over."""

    def __init__(self, row: int, moments: list[int], seed: int) -> None:
        self.row, self.moments, self.seed = row, set(moments), seed

    def tick(self, card: Card, index: int) -> None:
        if index == 0:
            self.other = bytearray(Random(self.seed).randbytes(card.rows[self.row].size))
        if index in self.moments:
            card.cells[self.row], self.other = self.other, card.cells[self.row]


class Master(Quirk):
    """Another master writes into memory where no cycle is seen: a block at a time, or cells now and then."""

    def __init__(self, cells: range, moments: list[int], size: int, seed: int) -> None:
        self.cells, self.moments, self.size, self.seed = cells, set(moments), size, seed

    def tick(self, card: Card, index: int) -> None:
        if index not in self.moments:
            return
        draw = Random(self.seed + index)
        at = self.cells.start + draw.randrange(max(1, len(self.cells) - self.size))
        for address in range(at, min(at + self.size, self.cells.stop)):
            row = card.where[address]
            card.cells[row][address - card.rows[row].start] = draw.randrange(256)


class Dip(Quirk):
    """The supply dips: cells come up as they like; all of the RAM, or one row on its own regulator."""

    def __init__(self, rows: list[int], moment: int, share: float, seed: int) -> None:
        self.rows, self.moment, self.share, self.seed = rows, moment, share, seed

    def tick(self, card: Card, index: int) -> None:
        if index != self.moment:
            return
        draw = Random(self.seed)
        for row in self.rows:
            cells = card.cells[row]
            for at in range(len(cells)):
                if draw.random() < self.share:
                    cells[at] = draw.randrange(256)


class Overlay(Quirk):
    """ROM lies over a row's reads until it is switched out; writes go to the RAM beneath."""

    def __init__(self, cells: range, until: int, seed: int) -> None:
        self.cells, self.until = cells, until
        self.image = Random(seed).randbytes(len(cells))

    def read(self, card: Card, index: int, address: int, value: int) -> int:
        return self.image[address - self.cells.start] if address in self.cells and index < self.until else value
