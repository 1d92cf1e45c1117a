"""What the ledger says of each cycle, beside the ``Cycles`` columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["Compared", "Verdict"]


class Verdict(IntEnum):
    """How the ledger took one cycle."""

    NOT_TAKEN = 0  # outside all regions, io, idle, refresh, address unknown
    WRITE = 1  # its known bits went into the ledger
    AGREES = 2  # a compared read, all known lanes right
    MISMATCH = 3  # a compared read, at least one lane wrong
    UNKNOWN = 4  # a read of bits that nobody has written yet
    STALE = 5  # a read of bits last known before a gap, and different: proves nothing
    DISAGREES = 6  # a read of an unwritten cell that differs from its last read
    AMBIGUOUS = 7  # unwired address lines: the entry could hold more than one value


@dataclass(slots=True)
class Compared:
    """Parallel columns, one row a cycle, same order as the ``Cycles`` they belong to.

    Attributes
    ----------
    verdict : uint8, a ``Verdict``
    expected : uint32, what the ledger held before this cycle (0 where unknown)
    known : uint32, which bits of ``expected`` are known and were compared
    mismatch : uint32, compared bits that differ
    writer : int64, cycle index of the last write to this cell, -1 if none was seen
    index : int64, this cycle's index in the whole list (``first_cycles``, ``cycles --csv``)
    selected : uint64, bit r = the clipped select of the board's region r was active as this cycle was sampled
    selects_seen : uint64, bit r = that select is clipped and was seen to be one or the other, so that a 0 in
        ``selected`` is a fact: it was quiet all through the strobe

    The last two are filled while the levels are at hand (``checks.SelectsSeen``), for a board's first 64 regions,
    and are not kept in the store; until then, and where nothing is clipped, they are 0.
    """

    verdict: NDArray[np.uint8]
    expected: NDArray[np.uint32]
    known: NDArray[np.uint32]
    mismatch: NDArray[np.uint32]
    writer: NDArray[np.int64]
    index: NDArray[np.int64]
    selected: NDArray[np.uint64]
    selects_seen: NDArray[np.uint64]

    def __len__(self) -> int:
        return int(self.verdict.shape[0])

    @classmethod
    def empty(cls, n: int = 0, first: int = 0) -> Compared:
        """n rows of nothing taken, writer -1, numbered from ``first`` on."""
        return cls(
            np.zeros(n, np.uint8),
            np.zeros(n, np.uint32),
            np.zeros(n, np.uint32),
            np.zeros(n, np.uint32),
            np.full(n, -1, np.int64),
            np.arange(first, first + n, dtype=np.int64),
            np.zeros(n, np.uint64),
            np.zeros(n, np.uint64),
        )

    def slice(self, start: int, stop: int) -> Compared:
        """Rows ``start:stop`` as views, without copying."""
        return Compared(*(getattr(self, f.name)[start:stop] for f in fields(self)))

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Compared:
        """The rows given by index or mask, copied."""
        if rows.dtype == np.bool_:  # each column would count it anew
            rows = np.flatnonzero(rows)
        return Compared(*(getattr(self, f.name).take(rows) for f in fields(self)))

    def divided(self, wholes: Sequence[int]) -> Compared:
        """The same rows for a board whose regions were divided: region p is a part of what was ``wholes[p]``."""
        if not self.selects_seen.any():
            return self
        made = replace(self, selected=np.zeros(len(self), np.uint64), selects_seen=np.zeros(len(self), np.uint64))
        for part, whole in enumerate(wholes[:64]):
            if whole < 64:
                for old, new in ((self.selected, made.selected), (self.selects_seen, made.selects_seen)):
                    new |= ((old >> np.uint64(whole)) & np.uint64(1)) << np.uint64(part)
        return made

    @classmethod
    def concat(cls, parts: Sequence[Compared]) -> Compared:
        """All parts one after another; no parts gives no rows."""
        if not parts:
            return cls.empty()
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))
