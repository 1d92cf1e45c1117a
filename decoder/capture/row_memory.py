"""Memory for the rows of one piece after the other: to fill fresh memory costs as much as reading does."""

from __future__ import annotations

import mmap
import weakref
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.heap import LARGE, fresh_memory

__all__ = ["RowMemory"]

# Pieces differ by some bytes: room in such steps (untouched, it costs nothing) lets each take the memory of any other.
_STEP = LARGE


class RowMemory:
    """Gives arrays out, and gives their memory out again once nobody holds any of them, nor a part of them.

    Any thread may ask; the one that lets go of the last array gives the memory back.
    """

    def __init__(self) -> None:
        self._free: deque[mmap.mmap] = deque()

    def rows(self, count: int, words: int) -> tuple[NDArray[np.int64], NDArray[np.uint64], NDArray[np.uint64]]:
        """``time`` int64[count], ``levels`` and ``unknown`` uint64[count, words]; what they hold is not said."""
        # A quarter of the room is written to, from the front of each column: of a long one that is a large page or two.
        large = 8 * count >= LARGE
        page = LARGE if large else mmap.PAGESIZE
        first, step = (-(-8 * count * width // page) * page for width in (1, words))
        memory = self._taken(-(-(first + 2 * step) // _STEP) * _STEP, large)
        # All that is cut out of it holds ``whole``, so that its end is the end of all of them.
        whole: NDArray[Any] = np.frombuffer(memory, np.uint8)
        weakref.finalize(whole, self._free.append, memory).atexit = False
        time = whole[: 8 * count].view(np.int64)
        levels, unknown = (
            whole[start : start + 8 * words * count].view(np.uint64).reshape(count, words)
            for start in (first, first + step)
        )
        return time, levels, unknown

    def _taken(self, size: int, large: bool) -> mmap.mmap:
        while True:
            try:
                memory = self._free.pop()
            except IndexError:
                return fresh_memory(size, large=large)
            if len(memory) >= size:
                return memory
