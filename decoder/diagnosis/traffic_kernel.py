"""Counting levels per lane over all transfers."""

import numba as nb


@nb.njit(cache=True, nogil=True)
def count_levels(direction, region, data, unknown, high, low, differ, values):
    """Add a block to ``high``, ``low`` (int64, regions + 1 × 2 × lanes), ``differ``
    (… × lanes × lanes, i < j) and ``values`` (bool, 2 × 256).

    ``direction`` uint8: 0 toward the processor, 1 away from it, else not counted;
    ``region`` int16, -1 = the last row.
    """
    outside = high.shape[0] - 1
    lanes = high.shape[2]
    for n in range(direction.shape[0]):
        way = direction[n]
        if way > 1:
            continue
        r = region[n]
        if r < 0:
            r = outside
        levels = data[n]
        hidden = unknown[n]
        if hidden & 255 == 0:
            values[way, levels & 255] = True
        for i in range(lanes):
            if (hidden >> i) & 1:
                continue
            bit = (levels >> i) & 1
            if bit:
                high[r, way, i] += 1
            else:
                low[r, way, i] += 1
            for j in range(i + 1, lanes):
                if ((hidden >> j) & 1) == 0 and ((levels >> j) & 1) != bit:
                    differ[r, way, i, j] += 1
