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


@njit(cache=True, nogil=True, _nrt=False)
def lay_under(levels, unknown, touch_row, touch_mask, before, under):
    """Levels and unknown bits ``before`` (uint64[2, words]) into the rows of a piece, in place; ``under``: as large, to
    work in.

    ``touch_row`` int64, rising: the rows in which bits were first touched; from there on ``touch_mask``
    uint64[·, words] holds all that were. Rows before the first of them have touched none.
    """
    words = levels.shape[1]
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
