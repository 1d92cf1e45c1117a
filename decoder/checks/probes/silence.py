"""Times in which no channel moved at all: samples are missing there, or the machine stood still.

One strobe may be silent for as long as a program pleases (no write in a loop that only reads); everything that moves
otherwise may not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture import Capture

__all__ = ["Silence"]

_KEPT = 4096  # silences told one by one: of more, the longest


class Silence:
    """The longest times without a change of any channel.

    Attributes
    ----------
    length, start : int64, the silences kept and when each began, in ticks
    """

    def __init__(self) -> None:
        self.length: NDArray[np.int64] = np.zeros(0, np.int64)
        self.start: NDArray[np.int64] = np.zeros(0, np.int64)
        self._last: tuple[int, NDArray[np.uint64]] | None = None

    def feed(self, block: Capture) -> None:
        """One block of raw channels."""
        if not len(block):
            return
        before, level = self._last if self._last is not None else (int(block.time[0]), block.levels[0])
        moved = np.empty(len(block), np.bool_)
        moved[0] = bool((block.levels[0] != level).any())
        moved[1:] = (block.levels[1:] != block.levels[:-1]).any(axis=1)
        changed = np.concatenate([[before], block.time[moved]])
        length = np.concatenate([self.length, np.diff(changed)])
        start = np.concatenate([self.start, changed[:-1]])
        if len(length) > _KEPT:
            kept = np.argpartition(length, len(length) - _KEPT)[-_KEPT:]
            length, start = length[kept], start[kept]
        self.length, self.start = length, start
        self._last = (int(changed[-1]), block.levels[-1].copy())

    def longer(self, ticks: float) -> tuple[int, int, int]:
        """How many silences are longer than ``ticks``, the first one's start, and how long the longest is; 0, 0, 0
        where there is none."""
        found = self.length > ticks
        if not found.any():
            return 0, 0, 0
        return int(np.count_nonzero(found)), int(self.start[found].min()), int(self.length.max())
