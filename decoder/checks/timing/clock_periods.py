"""The clock's periods as they stream by, of a clock that may ring."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import Pins
from busledger.decoder.checks.timing import timing_kernel as kernel

__all__ = ["PERIODS", "ClockPeriods"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
PERIODS = 64
"""Clock periods that a cycle is the mean of, so that the sampling's doubt is a 64th of a sample."""
_USUAL = 0.75
"""Of the gaps between edges so many may be short ones, a ring at every second edge; the rest are half periods."""
_SHORTER = 4
"""Times that a false sample is shorter than a half period, as ``bus.tidy_kernel`` has it of strobes."""


class ClockPeriods:
    """Feed every block, then ``finish``; each gives the means of ``PERIODS`` periods that have become known.

    Parameters
    ----------
    clock : the clock's pin
    false_ticks : up to which a pulse may be a false sample; 0 where nothing was sampled, and no edge is false
    """

    def __init__(self, clock: Pins, false_ticks: int) -> None:
        self._word, self._bit = clock.word[0], clock.bit[0]
        self._false = false_ticks
        self._limit: int | None = None if self._false else 0
        self._level = -1
        self._waiting: NDArray[np.int64] = np.zeros(0, np.int64)
        self._rising = 1
        self._state = np.full(kernel.EDGE_SIZE, kernel.NOT_SEEN, np.int64)
        self._rises: NDArray[np.int64] = np.zeros(0, np.int64)
        self._usual: float | None = None

    def feed(self, block: Capture) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """Periods and the edges that end them, ticks, float64 and int64 (n,)."""
        rises, every = np.empty(len(block), np.int64), np.empty(len(block), np.int64)
        count, edges, self._level = kernel.line_edges(
            block.time, block.levels, self._word, self._bit, self._level, rises, every
        )
        if not edges:
            return self._periods(rises[:0])
        if not len(self._waiting):
            self._rising = int(count > 0 and rises[0] == every[0])
        self._waiting = np.concatenate([self._waiting, every[:edges]])
        # How long a half period is has to be known first, from so many edges however the blocks part.
        if self._limit is None and len(self._waiting) > 2 * PERIODS:
            self._limit = self._false_gap(self._waiting[: 2 * PERIODS])
        return self._told() if self._limit is not None else self._periods(rises[:0])

    def finish(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """What is left."""
        if self._limit is None:
            self._limit = self._false_gap(self._waiting)
        periods, ends = self._told()
        first, rises, _, stands = (int(value) for value in self._state)
        more = self._periods(np.array([first] if rises == 1 and stands == 1 else [], np.int64))
        return np.concatenate([periods, more[0]]), np.concatenate([ends, more[1]])

    def _false_gap(self, edges: NDArray[np.int64]) -> int:
        """Ticks up to which two edges are one; 0 where the clock is as short as that itself."""
        gaps = np.diff(edges)
        usual = float(np.quantile(gaps, _USUAL)) if len(gaps) else 0.0
        return self._false if usual >= _SHORTER * self._false else 0

    def _told(self) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        found = np.empty(len(self._waiting) + 1, np.int64)
        count = kernel.true_rises(self._waiting, self._rising, self._limit, self._state, found)
        self._waiting = self._waiting[:0]
        return self._periods(found[:count])

    def _periods(self, rises: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        edges = np.concatenate([self._rises, rises])
        self._rises = edges[-PERIODS:]
        spans = (edges[PERIODS:] - edges[:-PERIODS]) / PERIODS
        if not len(spans):
            return spans, edges[:0]
        if self._usual is None:
            self._usual = float(spans[0])
        # A gap, or a clock that stood still, is no period.
        good = spans < 2 * self._usual
        return spans[good], edges[PERIODS:][good]
