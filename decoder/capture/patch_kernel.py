"""What came before a piece of a dump, laid under the bits that the piece has not touched yet."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner


@inner(_nrt=False)
def _under_rows(bits, start, end, under):
    """``under`` into the rows from ``start`` to ``end``."""
    for w in range(under.shape[0]):
        one = under[w]
        if one != 0:
            for i in range(start, end):
                bits[i, w] |= one


@njit(cache=True, nogil=True)
def lay_under(levels, unknown, touch_row, touch_mask, before):
    """Levels and unknown bits ``before`` (uint64[2, words]) into the rows of a piece, in place.

    ``touch_row`` int64, rising: the rows in which bits were first touched; from there on ``touch_mask``
    uint64[·, words] holds all that were. Rows before the first of them have touched none.
    """
    words = levels.shape[1]
    under = np.zeros((2, words), np.uint64)
    for k in range(-1, touch_row.shape[0]):
        start = touch_row[k] if k >= 0 else 0
        end = touch_row[k + 1] if k + 1 < touch_row.shape[0] else levels.shape[0]
        high, lost = np.uint64(0), np.uint64(0)
        for w in range(words):
            mask = touch_mask[k, w] if k >= 0 else np.uint64(0)
            under[0, w] = before[0, w] & ~mask
            under[1, w] = before[1, w] & ~mask
            high |= under[0, w]
            lost |= under[1, w]
        if high != 0:
            _under_rows(levels, start, end, under[0])
        if lost != 0:
            _under_rows(unknown, start, end, under[1])
    return np.int64(0)


@njit(cache=True, nogil=True)
def without_change(time, levels, unknown, touch_row, forced, shown, found):
    """Rows that a first touch made and that change nothing, into ``found`` int64 (one longer than ``touch_row``).

    Only row 0 and those of ``touch_row`` can be such; at the times ``forced`` int64 a row stands whatever it shows.
    ``shown`` uint64[·, words]: levels and unknown bits of the row before row 0, empty where there is none. Returns how
    many were found.
    """
    count = 0
    for k in range(-1, touch_row.shape[0]):
        row = touch_row[k] if k >= 0 else 0
        if row >= time.shape[0] or (row == 0 and (k >= 0 or shown.shape[0] == 0)):
            continue
        same = True
        for w in range(levels.shape[1]):
            if row == 0:
                same = same and levels[0, w] == shown[0, w] and unknown[0, w] == shown[1, w]
            else:
                same = same and levels[row, w] == levels[row - 1, w] and unknown[row, w] == unknown[row - 1, w]
        for when in forced:
            same = same and when != time[row]
        if same:
            found[count] = row
            count += 1
    return count
