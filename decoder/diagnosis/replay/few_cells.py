"""Path faults judged on a few cells: many in each call of the kernel, for most of one would be the call."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import marks_kernel, memory_kernel, replay_kernel
from busledger.decoder.diagnosis.replay.arrays import CellState, CellTables, FewCells
from busledger.decoder.diagnosis.replay.replay import (
    ANY_TIME,
    Effect,
    acts_of,
    effects_of,
    no_counts,
    nothing_given,
    seen_by,
    spans_of,
)
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import Behaviour, PathFault

__all__ = ["Focus"]

_AT_ONCE = 256  # faults in one call: 4 MB of hits and misses by window
_CELLS_AT_ONCE = 1 << 18  # that they touch, at which a call is not put off: 6 MB


class Focus:
    """A few cells to judge by; cells that a fault can mix up with them take part too.

    Parameters
    ----------
    study : its cells, and what cells held that were read before they were written
    cells : int32, those to judge
    """

    def __init__(self, study: Study, cells: NDArray[np.int32]) -> None:
        self._study = study
        self._focus = cells
        self._region = study.cells.regions_of(cells)
        n = max(1, study.cells.total)
        self._seen, self._list = np.zeros(n, np.uint8), np.empty(n, np.int32)
        self._goes = np.empty((n, 5), np.int32)
        # Laid out by the kernel for each fault where it may touch them, and looked at nowhere else.
        w1, w2, r1, r2 = (np.empty(n, np.int32) for _ in range(4))
        self._tables = CellTables(np.zeros(n, np.uint8), w1, w2, r1, r2, ANY_TIME)
        words = np.empty((n, memory_kernel.WORDS), np.uint32)
        self._state = CellState(words, np.empty((n, memory_kernel.LINKS), np.int32))

    def play(self, faults: Sequence[PathFault], rows: Rows) -> dict[Behaviour, tuple[Effect, Effect]]:
        """(hard, now and then) of faults that hurt the same regions, over the rows of those."""
        found: dict[Behaviour, tuple[Effect, Effect]] = {}
        by_lanes: dict[int, list[PathFault]] = {}
        for fault in faults:
            by_lanes.setdefault(fault.mask, []).append(fault)
        for mask, members in by_lanes.items():
            seen = seen_by(rows, mask)
            for some, few in self._gathered(members):
                counts = no_counts(len(some))
                replay_kernel.replay(
                    seen, self._tables, few, acts_of(some), self._state, counts, False, nothing_given()
                )
                found.update(zip(some, effects_of(counts), strict=True))
        return {fault: found[fault] for fault in faults}

    def _gathered(self, faults: Sequence[PathFault]) -> Iterator[tuple[list[PathFault], FewCells]]:
        """As many faults as go into one call, and their cells; neighbours that lead to the same ones share them."""
        fresh = self._study.fresh_words()
        spans = spans_of(self._study.cells, faults[0].regions)
        judged = np.isin(self._region, faults[0].regions)
        held: list[PathFault] = []
        at: list[tuple[int, int]] = []
        cells: list[NDArray[np.int32]] = []
        goes: list[NDArray[np.int32]] = []
        total, key = 0, None
        for fault in faults:
            if key != (fault.op, fault.numbers):
                key = (fault.op, fault.numbers)
                many = self._mark(fault, spans, judged)
                cells.append(self._list[:many].copy())
                goes.append(self._goes[:many].copy())
                begin, total = total, total + many
            held.append(fault)
            at.append((begin, total))
            if len(held) == _AT_ONCE or total > _CELLS_AT_ONCE or fault is faults[-1]:
                first, last = np.array(at, np.int64).T.copy()
                yield held, FewCells(first, last, np.concatenate(cells), np.concatenate(goes), fresh)
                held, at, cells, goes, total, key = [], [], [], [], 0, None

    def _mark(
        self, fault: PathFault, spans: tuple[NDArray[np.int64], NDArray[np.int64]], judged: NDArray[np.bool_]
    ) -> int:
        maps = self._study.maps(fault)
        found: int = marks_kernel.mark(
            maps.w1, maps.w2, maps.r1, maps.r2, *spans, self._focus, judged, self._seen, self._list, self._goes
        )
        return found
