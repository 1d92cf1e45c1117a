"""The accesses of a study in one piece, with what became of each cell: what every rival looks at."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.diagnosis.replay.foretold import FirstReads
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.arrays import BecameOf, CellMemory, StoryRows
from busledger.decoder.diagnosis.rivals.read_beside import ReadBeside
from busledger.decoder.ledger import Compared

__all__ = ["Story"]

_T = TypeVar("_T")

_ROWS = 3_000_000
"""Rows looked at, the first ones: rivals show early, and memory stays flat."""


@dataclass(frozen=True)
class Told:
    """Rows, and one value a row of ``story_kernel.tell``."""

    rows: Rows
    took: NDArray[np.uint8]
    repeat: NDArray[np.uint8]
    older: NDArray[np.uint8]
    since: NDArray[np.int64]


class Story:
    """The accesses of a study as they were logged, and what became of each cell, told once somebody asks."""

    def __init__(self, study: Study, told: Told | None = None) -> None:
        self.study = study
        self._told = told

    @classmethod
    def of(cls, study: Study) -> Story:
        """That of a study, not told yet."""
        return cls(study)

    @cached_property
    def accesses(self) -> list[tuple[Cycles, Compared]]:
        """The first blocks of the log: no row of ``rows`` is missing."""
        return list(_first(self.study.evidence.log.blocks(), lambda block: len(block[0])))

    @cached_property
    def told(self) -> Told:
        """Every cell followed through all its accesses."""
        if self._told is not None:
            return self._told
        study = self.study
        rows = _joined(list(_first(study.blocks(), len)))
        n, cells = len(rows), max(1, study.cells.total)
        took, repeat, older = (np.zeros(n, np.uint8) for _ in range(3))
        since = np.full(n, -1, np.int64)
        content, known, last_read, read_known = (np.zeros(cells, np.uint32) for _ in range(4))
        held, contents = np.zeros((cells, kernel.HELD), np.uint32), np.zeros(cells, np.int8)
        pending, sound = np.zeros(cells, np.uint8), np.full(cells, -1, np.int64)
        kernel.tell(
            StoryRows(rows.cell, rows.is_write, rows.data, rows.sure, rows.lanes, rows.compared, rows.wrong),
            CellMemory(held, contents, content, known, last_read, read_known, pending, sound),
            BecameOf(took, repeat, older, since),
        )
        return Told(rows, took, repeat, older, since)

    @property
    def rows(self) -> Rows:
        """The accesses as the replay prepares them."""
        return self.told.rows

    @property
    def took(self) -> NDArray[np.uint8]:
        """See ``story_kernel``, as the next three."""
        return self.told.took

    def holds(self) -> NDArray[np.bool_]:
        """A value a row: whether what was written since the last read was found there."""
        return np.isin(self.took, (kernel.TOOK, kernel.TO_AND_FRO))

    def tells_nothing(self) -> NDArray[np.bool_]:
        """A value a row: no read, or one that came right and might have had no write taken since the last one."""
        return np.isin(self.took, (kernel.NO_TEST, kernel.TO_AND_FRO))

    @property
    def repeat(self) -> NDArray[np.uint8]:
        """Beside the last read of the cell."""
        return self.told.repeat

    @property
    def older(self) -> NDArray[np.uint8]:
        """Whether a wrong read gives what the cell held before."""
        return self.told.older

    @property
    def since(self) -> NDArray[np.int64]:
        """The row since which the cell is known to be sound."""
        return self.told.since

    @property
    def regions(self) -> tuple[Region, ...]:
        return self.study.evidence.board.regions

    @cached_property
    def bad(self) -> NDArray[np.intp]:
        """The rows of wrong reads."""
        return np.flatnonzero(self.rows.wrong)

    @cached_property
    def first_reads(self) -> FirstReads:
        """What cells showed before anybody wrote to them."""
        return FirstReads(self.study, self.rows)

    @cached_property
    def address(self) -> NDArray[np.int64]:
        """Bus address of every cell, int64[cells]."""
        space = self.study.cells
        found = np.zeros(max(1, space.total), np.int64)
        for r, region in enumerate(self.regions):
            word = np.arange(region.start >> space.shift, (region.end >> space.shift) + 1, dtype=np.int64)
            found[space.base[r] + (word & (space.size[r] - 1))] = word << space.shift
        return found

    @cached_property
    def unfounded(self) -> NDArray[np.intp]:
        """The rows of reads that nothing is known to compare with: the first look at a cell."""
        rows = self.rows
        return np.flatnonzero(~rows.is_write & (rows.compared == 0) & (self.repeat == kernel.FIRST))

    @cached_property
    def read_beside(self) -> ReadBeside | None:
        """What was read outside all regions; None where nobody counted."""
        signs = self.study.evidence.signs
        return None if signs is None else ReadBeside.of(signs.outside_reads())

    @cached_property
    def going_on(self) -> NDArray[np.uint8]:
        """What is seen of a program's own code, uint8 a row: bit 0, the access before was at the address before; bit 1,
        the cycle is the fetch of an instruction, where the bus tells."""
        rows = self.rows
        found = np.zeros(len(rows), np.uint8)
        found[1:] = (rows.cell[1:] == rows.cell[:-1] + 1) & ~rows.is_write[:-1] & ~rows.is_write[1:]
        for cycles, compared in self.study.evidence.log.blocks():
            fetched = compared.index[cycles.kind == Kind.OPCODE_FETCH]
            at = np.minimum(np.searchsorted(rows.index, fetched), max(0, len(rows) - 1))
            found[at[rows.index[at] == fetched]] |= 2
        return found

    def per_cell(self, rows: NDArray[np.bool_]) -> NDArray[np.int64]:
        """How many of the rows in a mask fall in each cell."""
        cells = max(1, self.study.cells.total)
        return np.bincount(self.rows.cell[rows], minlength=cells).astype(np.int64)

    def has_chips(self, region: int) -> bool:
        """Whether the board file names the chips of a region."""
        return bool(self.regions[region].chips)

    def seconds(self, tick: int) -> float:
        """Seconds of the capture's time."""
        return tick * self.study.evidence.tick_s


def _first(blocks: Iterable[_T], size: Callable[[_T], int]) -> Iterator[_T]:
    """Blocks until ``_ROWS`` rows have come."""
    count = 0
    for block in blocks:
        yield block
        count += size(block)
        if count >= _ROWS:
            return


class _Joined(Rows):
    """The rows of several blocks; a column is put together when somebody asks for it, and most never are."""

    __slots__ = ("_parts",)
    _parts: list[Rows]

    def __getattr__(self, name: str) -> Any:
        if name not in _COLUMNS:  # those not put together yet are found missing first
            raise AttributeError(name)
        column = np.concatenate([getattr(part, name) for part in self._parts])
        setattr(self, name, column)
        return column


_COLUMNS = frozenset(f.name for f in fields(Rows))


def _joined(parts: list[Rows]) -> Rows:
    if len(parts) == 1:
        return parts[0]
    if not parts:
        nothing = np.zeros(0, np.int64)
        kinds = {"window": np.uint16, "cell": np.int32, "asked": np.int32, "region": np.int16, "is_write": np.bool_,
                 "event": np.uint8, "index": np.int64, "time": np.int64}  # fmt: skip
        return Rows(**{f.name: nothing.astype(kinds.get(f.name, np.uint32)) for f in fields(Rows)})
    rows = _Joined.__new__(_Joined)
    rows._parts = parts
    return rows
