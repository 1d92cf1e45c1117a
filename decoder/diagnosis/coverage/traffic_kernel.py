"""Counting levels per lane over all transfers."""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

# Lanes that are counted by value first: a table of 256 counts is filled faster than eight lanes and their pairs.
BY_VALUE = 8


@inner(_nrt=False, forceinline=True)
def _add(levels, hidden, times, high, low, differ):
    """``times`` transfers of the same levels, lanes in ``hidden`` left out."""
    lanes = high.shape[0]
    for i in range(lanes):
        if (hidden >> i) & 1:
            continue
        bit = (levels >> i) & 1
        if bit:
            high[i] += times
        else:
            low[i] += times
        for j in range(i + 1, lanes):
            if ((hidden >> j) & 1) == 0 and ((levels >> j) & 1) != bit:
                differ[i, j] += times


@nb.njit(cache=True, nogil=True)
def count_levels(direction, region, data, unknown, high, low, differ, values):
    """Add a block to ``high``, ``low`` (int64, regions + 1 × 2 × lanes), ``differ``
    (… × lanes × lanes, i < j) and ``values`` (bool, 2 × 256).

    ``direction`` uint8: 0 toward the processor, 1 away from it, else not counted;
    ``region`` int16, -1 = the last row.
    """
    outside = high.shape[0] - 1
    narrow = high.shape[2] <= BY_VALUE
    wired = (1 << high.shape[2]) - 1
    seen = np.zeros((high.shape[0], 2, 256), np.int64)
    for n in range(direction.shape[0]):
        way = direction[n]
        if way > 1:
            continue
        r = region[n]
        if r < 0:
            r = outside
        if unknown[n] & wired == 0 and narrow:
            seen[r, way, data[n] & 255] += 1
            continue
        if unknown[n] & 255 == 0:
            values[way, data[n] & 255] = True
        _add(data[n], unknown[n], 1, high[r, way], low[r, way], differ[r, way])
    for r in range(seen.shape[0]):
        for way in range(2):
            for value in range(256):
                if seen[r, way, value]:
                    values[way, value] = True
                    _add(value, 0, seen[r, way, value], high[r, way], low[r, way], differ[r, way])
