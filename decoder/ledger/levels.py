"""The level of single lines at the time of each cycle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Layout
from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture import Capture

__all__ = ["LineLevels"]

_KEPT_ROWS = 4096  # of the blocks before, for cycles that are told late


class LineLevels:
    """Looks lines up, block by block.

    Parameters
    ----------
    lines : their names; those that are not clipped are left out
    layout : which lines are clipped, and where they stand in ``Capture.levels``
    skew_ticks : how long before the sampling edge a line is looked at, so that
        channels which are late by a sample still show it
    """

    def __init__(self, lines: Sequence[str], layout: Layout, skew_ticks: int) -> None:
        self.lines = tuple(dict.fromkeys(line for line in lines if layout.wired(line)))
        self._places = [divmod(layout.bit(line), 64) for line in self.lines]
        self._skew = max(1, skew_ticks)
        self._time: NDArray[np.int64] = np.zeros(0, np.int64)
        self._levels: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)
        self._unknown: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)

    def feed(self, block: Capture, cycles: Cycles) -> dict[str, NDArray[np.int8]]:
        """1, 0 or -1 (not known) a cycle for each line; ``block`` holds the levels up to here."""
        if not self.lines:
            return {}
        self._time = np.concatenate([self._time[-_KEPT_ROWS:], block.time])
        self._levels = np.concatenate([self._levels[-_KEPT_ROWS:], block.levels])
        self._unknown = np.concatenate([self._unknown[-_KEPT_ROWS:], block.unknown])
        if not len(self._time):
            return {line: np.full(len(cycles), -1, np.int8) for line in self.lines}
        rows = np.searchsorted(self._time, cycles.time - self._skew, side="right") - 1
        before, rows = rows < 0, np.maximum(rows, 0)
        found = {}
        for line, (word, place) in zip(self.lines, self._places, strict=True):
            shift = np.uint64(place)
            level = ((self._levels[rows, word] >> shift) & np.uint64(1)).astype(np.int8)
            lost = ((self._unknown[rows, word] >> shift) & np.uint64(1)) != 0
            level[lost | before] = -1
            found[line] = level
        return found
