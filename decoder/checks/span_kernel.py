"""Where each cycle lies in the rows, and where its strobe began and ended."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner


@inner(_nrt=False, forceinline=True)
def _holds(levels, row, mask, want, low, high):
    for term in range(low, high):
        fits = True
        for w in range(mask.shape[1]):
            if levels[row, w] & mask[term, w] != want[term, w]:
                fits = False
                break
        if fits:
            return True
    return False


@njit(cache=True, nogil=True)
def strobe_spans(levels, rule, before, at, after, mask, want, low, high, from_begin, begin, end):
    """Fills ``begin`` and ``end`` (int64, rows) for each cycle.

    ``rule`` uint8 (k,) picks the terms ``low[rule]:high[rule]`` of ``mask``/``want``
    uint64 (terms, words). The strobe is looked for between the rows ``before`` and
    ``after``; where the row before the sampling edge does not show it, both are ``at``.
    """
    rows = levels.shape[0]
    for k in range(at.shape[0]):
        r = rule[k]
        begin[k] = at[k]
        end[k] = at[k]
        if from_begin[r]:
            row = at[k]
            while row < after[k] and row < rows and _holds(levels, row, mask, want, low[r], high[r]):
                row += 1
            end[k] = min(row, rows - 1)
        else:
            row = at[k] - 1
            while row >= before[k] and row >= 0 and _holds(levels, row, mask, want, low[r], high[r]):
                row -= 1
            # A strobe that is there all through the window has no known beginning.
            begin[k] = row + 1 if row >= before[k] else at[k]
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def still(levels, unknown, first, last, watched):
    """Whether the lines of ``watched`` (uint64, words) are known and hold one level in rows ``first`` to ``last``."""
    for w in range(watched.shape[0]):
        moved = unknown[first, w]
        for row in range(first + 1, last + 1):
            moved |= (levels[row, w] ^ levels[first, w]) | unknown[row, w]
        if moved & watched[w] != np.uint64(0):
            return False
    return True


@njit(cache=True, nogil=True)
def place_cycles(row_time, cycle_time, at):
    """Fills ``at`` with the first row whose time is not before each cycle's; both times int64, rising."""
    row = 0
    rows = row_time.shape[0]
    for k in range(cycle_time.shape[0]):
        while row < rows and row_time[row] < cycle_time[k]:
            row += 1
        at[k] = row
    return np.int64(row)
