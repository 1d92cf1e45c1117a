"""Bits of a word, one by one."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import INNER

# 2 is a primitive root of 67, so the 64 powers of two leave 64 different remainders.
_PLACES = np.zeros(67, np.int64)
for _place in range(64):
    _PLACES[(1 << _place) % 67] = _place


@njit(**INNER)
def lowest_bit(word):
    """The number of the lowest set bit of a uint64 that is not 0."""
    low = word & (~word + np.uint64(1))
    return _PLACES[low % np.uint64(67)]
