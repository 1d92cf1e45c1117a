"""A fault already found, laid over the rows: what is left to explain is judged against the faulty card."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import memory_kernel
from busledger.decoder.diagnosis.replay.replay import PathRun, Tables, as_path
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay, LaneFault
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["FoundFault"]


class FoundFault:
    """Plays a found fault beside the rows and takes out what it explains.

    A hard fault replaces the expectation by what the faulty card gives, and
    lanes that show nothing but the fault say nothing of any other; one that
    comes and goes takes out just the wrong reads that it explains.
    """

    def __init__(self, scored: Scored, study: Study) -> None:
        behaviour = scored.variant.behaviour
        self.scored = scored
        self._worn = isinstance(behaviour, Decay | CoupledCell)
        if isinstance(behaviour, Decay | CoupledCell):
            self._cell = behaviour.cell
            self._high = isinstance(behaviour, Decay) and behaviour.high
            self._both = isinstance(behaviour, CoupledCell)
            self._mask = np.uint32(behaviour.mask)
            self._regions = np.array(behaviour.regions, np.int16)
            return
        self._hard = scored.hard
        self._cell = -1
        if isinstance(behaviour, LaneFault):
            self._cell = behaviour.cell
            behaviour = scored.path or as_path(behaviour, memory_kernel.ON_READS)
        self._hides = behaviour.op in ("silent", "read-lost") or bool(behaviour.acts & memory_kernel.ON_READS)
        self._mask = np.uint32(behaviour.mask)
        self._regions = np.array(behaviour.regions, np.int16)
        self._run = PathRun(behaviour, Tables(study))

    def start(self) -> None:
        """Forget all blocks seen."""
        if not self._worn:
            self._run.start()

    def _without_worn(self, rows: Rows) -> Rows:
        """Wrong reads of a worn cell that went the way it wears are taken out."""
        mine = np.isin(rows.region, self._regions) & ~rows.is_write
        if self._cell >= 0:
            mine &= rows.cell == self._cell
        went = rows.data if self._high else ~rows.data
        lanes = np.where(mine, rows.wrong & self._mask & (self._mask if self._both else went), np.uint32(0))
        return rows.holding((rows.expected & ~lanes) | (rows.data & lanes), rows.compared)

    def feed(self, rows: Rows) -> Rows:
        """The next block, judged against what the faulty card would give."""
        if self._worn:
            return self._without_worn(rows)
        value, sure, explained = self._run.feed(rows, want_rows=True)
        mine = np.isin(rows.region, self._regions) & ~rows.is_write
        if self._cell >= 0:
            mine &= rows.cell == self._cell
        if not self._hard:
            taken = mine & explained
            lanes = np.where(taken, self._mask, np.uint32(0))
            expected = (rows.expected & ~lanes) | (rows.data & lanes)
            return rows.holding(expected, rows.compared)
        lanes = np.where(mine, self._mask, np.uint32(0))
        as_told = ~(rows.data ^ value) & sure & lanes
        if not self._hides:
            as_told &= value ^ rows.expected
        expected = (rows.expected & ~lanes) | (value & lanes)
        compared: NDArray[np.uint32] = rows.compared & (~lanes | sure) & ~as_told
        return rows.holding(expected & compared, compared)
