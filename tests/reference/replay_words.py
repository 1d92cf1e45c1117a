"""What the slow twin of the replay works with: words of known and unknown levels, cells, a theory, the rows.

A level is 0, 1 or None (not known). A word is a list of levels, lane 0 first.
"""

from __future__ import annotations

from dataclasses import dataclass, field

LANES = 8
Word = list[int | None]


def word(bits: int, sure: int = 0xFF) -> Word:
    return [(bits >> k) & 1 if (sure >> k) & 1 else None for k in range(LANES)]


def unknown() -> Word:
    return [None] * LANES


def lanes_in(mask: int) -> list[int]:
    return [k for k in range(LANES) if (mask >> k) & 1]


@dataclass
class Change:
    """What a cell may hold instead, on some lanes."""

    value: Word
    lanes: list[int]


@dataclass
class Cell:
    hard: Word = field(default_factory=unknown)
    held: Word = field(default_factory=unknown)
    lost: Change | None = None
    lost_before: Change | None = None
    over: Change | None = None
    state: str = "settled"
    writes: int = 0
    hours: str = "any time"  # of the last write
    owner: int | None = None
    owner_writes: int = 0
    over_before: Change | None = None  # as over, owner and owner_writes, of the write of another cell before it
    owner_hours: str = "any time"  # of that write
    owner_before: int | None = None
    owner_before_writes: int = 0
    corrupt: bool = False
    doubt: bool = False  # its last wrong read may as well have gone astray itself
    either: bool = False  # its last wrong read met the fault, or the last write did
    refuted: bool = False  # a read has shown that the fault did not act at every access


@dataclass
class Theory:
    """As the kernel's constants: maps int a cell (-1 nowhere), and what the fault does."""

    w1: list[int]
    w2: list[int]
    r1: list[int]
    r2: list[int]
    mask: int
    stores: str = "data"
    floats: str = "keeps"
    joins: str = "low wins"
    bends: str = "not"
    bad_lanes: int = 0
    on_reads: bool = False
    on_writes: bool = False


@dataclass
class Row:
    cell: int
    write: bool
    data: int
    sure: int
    kept: int
    expected: int
    compared: int
    index: int
    rest: int = 0
    rest_read: int = 0
    hours: str = "any time"  # of a fault in bursts: "asleep", "awake"

    @property
    def wrong(self) -> int:
        return 0 if self.write else (self.data ^ self.expected) & self.compared
