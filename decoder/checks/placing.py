"""Where cycles lie in the rows, and what moved in them, of a capture too short to compile a kernel for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEW_ROWS", "moved_in_few", "place_few"]

FEW_ROWS = 1 << 17
"""Rows of a capture up to which numpy does it: more are worth the 0.1 s that each kernel takes to be compiled."""


def place_few(row_time: NDArray[np.int64], cycle_time: NDArray[np.int64], at: NDArray[np.int64]) -> int:
    """As ``span_kernel.place_cycles``, without a kernel."""
    at[:] = np.searchsorted(row_time, cycle_time, side="left")
    return int(np.diff(at, prepend=0).max(initial=0))


def moved_in_few(
    levels: NDArray[np.uint64], unknown: NDArray[np.uint64], before: NDArray[np.int64], begin: NDArray[np.int64],
    end: NDArray[np.int64], moved: NDArray[np.uint64],
) -> None:  # fmt: skip
    """As ``span_kernel.window_moves``, without a kernel: a line holds one level where no row differs from the last."""
    first = np.where(begin == end, before, np.maximum(begin - 1, before))
    shown, lost = (column.reshape(-1, moved.shape[1]) for column in (levels, unknown))
    step = np.zeros((len(shown) + 1, moved.shape[1]), np.uint64)  # and a row behind the last, which nothing moves in
    step[1:-1] = shown[1:] ^ shown[:-1]
    step[:-1] |= lost
    # From the row behind the first on; of none at all ``reduceat`` gives the row itself.
    some = np.flatnonzero(end > first)
    moved[:] = lost[first]
    if len(some):
        spans = np.minimum(np.stack((first[some] + 1, end[some] + 1), axis=1).reshape(-1), len(step) - 1)
        moved[some] |= np.bitwise_or.reduceat(step, spans, axis=0)[::2]
