"""Memory for the rows of one piece after the other: to fill fresh memory costs as much as reading does."""

from __future__ import annotations

import mmap
import weakref
from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.heap import fresh_memory

__all__ = ["RowMemory", "no_bits"]

# Pieces differ by some bytes: room in such steps (untouched, it costs nothing) lets each take the memory of any other.
_STEP = 1 << 21
_MOST = 8  # that wait for the next capture of this process, a few megabytes each
_FREE: deque[mmap.mmap] = deque(maxlen=_MOST)
_no_bits: NDArray[np.uint64] = np.zeros(0, np.uint64)


def no_bits(count: int, words: int) -> NDArray[np.uint64]:
    """uint64[count, words] of zeros that many may hold and nobody writes to: memory that was never touched, all of it
    one page of the system, so that to read it costs next to nothing."""
    global _no_bits
    if _no_bits.size < count * words:
        _no_bits = np.frombuffer(fresh_memory(-(-8 * count * words // _STEP) * _STEP), np.uint64)
    return _no_bits[: count * words].reshape(count, words)


class RowMemory:
    """Gives arrays out, and gives their memory out again once nobody holds any of them, nor a part of them.

    Any thread may ask; the one that lets go of the last array gives the memory back. ``free`` is what waits: of all
    captures of this process, one after the other, unless another is given.
    """

    def __init__(self, free: deque[mmap.mmap] | None = None) -> None:
        self._free = _FREE if free is None else free

    def rows(self, count: int, words: int) -> tuple[NDArray[np.int64], NDArray[np.uint64], NDArray[np.uint64]]:
        """``time`` int64[count], ``levels`` and ``unknown`` uint64[count, words]; what they hold is not said."""
        first, step = (-(-8 * count * width // mmap.PAGESIZE) * mmap.PAGESIZE for width in (1, words))
        memory = self._taken(-(-(first + 2 * step) // _STEP) * _STEP)
        # All that is cut out of it holds ``whole``, so that its end is the end of all of them.
        whole: NDArray[Any] = np.frombuffer(memory, np.uint8)
        weakref.finalize(whole, self._free.append, memory).atexit = False
        time = whole[: 8 * count].view(np.int64)
        levels, unknown = (
            whole[start : start + 8 * words * count].view(np.uint64).reshape(count, words)
            for start in (first, first + step)
        )
        return time, levels, unknown

    def _taken(self, size: int) -> mmap.mmap:
        """The least memory of those that wait that is enough, else fresh memory."""
        while fits := [memory for memory in tuple(self._free) if len(memory) >= size]:
            least = min(reversed(fits), key=len)  # of like ones the last that came back, which is still at hand
            try:
                self._free.remove(least)
            except ValueError:  # another thread took it, or it was let go of for one that came back
                continue
            return least
        return fresh_memory(size)
