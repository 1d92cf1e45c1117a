"""64 K of memory with one fault in bit 0 of its cells, by the published definitions (shared with no code of ours).

Definitions: A. J. van de Goor, *Testing Semiconductor Memories*, Wiley 1991, chapter 4; van de Goor & Al-Ars, VTS 2000
for read- and write-disturb faults; all from memory. Coupling is triggered by a change of the aggressor only; a state
coupling is enforced after every write.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field


class Memory:
    """A good one. ``log`` holds every access to ``watched`` as (kind, address, value)."""

    def __init__(self, content: bytes = b"", origin: int = 0, watched: range = range(0)) -> None:
        self.cells = bytearray(65536)
        self.cells[origin : origin + len(content)] = content
        self.watched = watched
        self.log: list[tuple[str, int, int]] = []
        self.now: Callable[[], float] = lambda: 0.0

    image: tuple[int, bytes] | None = None
    """A ROM: its first address, its bytes."""

    def read(self, address: int) -> int:
        value = self.get(address)
        if address in self.watched:
            self.log.append(("read", address, value))
        return value

    def write(self, address: int, value: int) -> None:
        value &= 0xFF
        if address in self.watched:
            self.log.append(("write", address, value))
        self.put(address, value)

    def get(self, address: int) -> int:
        return self.cells[address]

    def put(self, address: int, value: int) -> None:
        self.cells[address] = value

    def __len__(self) -> int:
        return 65536

    def __getitem__(self, address: int) -> int:
        return self.read(address)

    def __setitem__(self, address: int, value: int) -> None:
        self.write(address, value)


class StuckLane(Memory):
    """One data lane of a range always reads a level: a chip's output driver."""

    def __init__(self, where: range, lane: int, level: int, **how: object) -> None:
        super().__init__(**how)  # type: ignore[arg-type]
        self.where, self.lane, self.level = where, 1 << lane, level

    def get(self, address: int) -> int:
        value = self.cells[address]
        if address in self.where:
            return value | self.lane if self.level else value & ~self.lane
        return value


@dataclass(frozen=True)
class Fault:
    """What bit 0 of a cell does. ``kind`` and its operands as the generators below give them."""

    kind: str
    cell: int
    other: int = 0
    level: int = 0
    way: str = ""


@dataclass
class BitMemory(Memory):
    """A memory with a ``Fault`` in bit 0 (or, for kind "lanes", between two bits of every byte)."""

    fault: Fault
    cells: bytearray = field(default_factory=lambda: bytearray(65536))
    watched: range = range(0)
    log: list[tuple[str, int, int]] = field(default_factory=list)
    now: Callable[[], float] = lambda: 0.0
    written: dict[int, float] = field(default_factory=dict)

    def _held(self) -> None:
        f = self.fault
        if f.kind == "CFst" and self.cells[f.other] & 1 == (f.way == "one"):
            self._set(f.cell, f.level)
        if f.kind == "SAF":
            self._set(f.cell, f.level)

    def _set(self, cell: int, level: int) -> None:
        self.cells[cell] = (self.cells[cell] & 0xFE) | level

    def get(self, address: int) -> int:
        f, cells = self.fault, self.cells
        self._held()
        value = cells[address]
        if f.kind == "lanes":
            i, j = f.cell, f.other
            both = (value >> i & 1) & (value >> j & 1) if f.way == "and" else (value >> i & 1) | (value >> j & 1)
            return (value & ~(1 << i | 1 << j)) | both << i | both << j
        if f.kind == "DRF" and address == f.cell and self.now() - self.written.get(address, 0.0) > 100_000:
            self._set(address, f.level)
            return cells[address]
        if f.kind in ("AFA", "AFB", "AFC", "AFD"):
            return self._decoded(address, value)
        if address == f.cell:
            bit = value & 1
            if f.kind == "DRDF" and bit == f.level:
                self._set(address, bit ^ 1)
            elif f.kind == "RDF" and bit == f.level:
                self._set(address, bit ^ 1)
                return value ^ 1
        return value

    def _decoded(self, address: int, value: int) -> int:
        f, cells = self.fault, self.cells
        nothing = (value & 0xFE) | f.level
        both = (cells[f.cell] & cells[f.other]) if f.way == "and" else (cells[f.cell] | cells[f.other])
        match f.kind:
            case "AFA":
                return nothing if address == f.cell else value
            case "AFB":
                return nothing if address == f.cell else both if address == f.other else value
            case "AFC":
                return cells[f.other] if address == f.cell else value
            case _:
                return both if address == f.cell else value

    def put(self, address: int, value: int) -> None:
        f, cells = self.fault, self.cells
        old, new = cells[address] & 1, value & 1
        self.written[address] = self.now()
        reached = {
            "AFA": () if address == f.cell else (address,),
            "AFB": () if address == f.cell else (f.cell, f.other) if address == f.other else (address,),
            "AFC": (f.other,) if address == f.cell else (address,),
            "AFD": (f.cell, f.other) if address == f.cell else (address,),
        }.get(f.kind, (address,))
        if f.kind == "TF" and address == f.cell and old != new and new == f.level:
            value = (value & 0xFE) | old
        if f.kind == "WDF" and address == f.cell and old == new == f.level:
            value ^= 1
        for cell in reached:
            cells[cell] = value
        if f.kind in ("CFin", "CFid") and address == f.other and old != new and new == (f.way == "rise"):
            self._set(f.cell, cells[f.cell] & 1 ^ 1 if f.kind == "CFin" else f.level)
        self._held()


def every_fault(kind: str, cells: range) -> Iterator[Fault]:
    """Every single fault of a kind among the cells: as many as the table of the published coverage counts."""
    pairs = list(itertools.permutations(cells, 2))
    match kind:
        case "SAF" | "TF" | "DRDF" | "RDF" | "WDF" | "DRF" | "AFA":
            yield from (Fault(kind, c, level=v) for c in cells for v in (0, 1))
        case "CFin":
            yield from (Fault(kind, v, a, way=w) for a, v in pairs for w in ("rise", "fall"))
        case "CFid":
            yield from (Fault(kind, v, a, level, w) for a, v in pairs for w in ("rise", "fall") for level in (0, 1))
        case "CFst":
            yield from (Fault(kind, v, a, level, w) for a, v in pairs for w in ("one", "zero") for level in (0, 1))
        case "AFB":
            yield from (Fault(kind, x, y, n, w) for x, y in pairs for n, w in ((0, "and"), (1, "or")))
        case "AFC":
            yield from (Fault(kind, x, y) for x, y in pairs)
        case "AFD":
            yield from (Fault(kind, x, y, way=w) for x, y in pairs for w in ("and", "or"))
        case "lanes":
            yield from (Fault(kind, i, j, way=w) for i, j in itertools.combinations(range(8), 2) for w in ("and", "or"))
        case _:
            raise ValueError(kind)
