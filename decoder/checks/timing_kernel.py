"""When things changed around each cycle's strobe: the raw times that every limit is made of."""

from __future__ import annotations

import numpy as np
from numba import njit

# Columns of ``moments``, ticks; ABSENT where it did not happen inside the window.
(M_ADDRESS, M_DATA, M_DATA_AFTER, M_ADDRESS_AFTER, M_SELECT, M_CHIPS) = range(6)
ABSENT = -(1 << 62)


@njit(cache=True, nogil=True)
def _moved(levels, unknown, row, mask):
    """Whether any line of ``mask`` differs between ``row`` - 1 and ``row``, unknown being a level of its own."""
    moved = np.uint64(0)
    for w in range(mask.shape[0]):
        differs = (levels[row, w] ^ levels[row - 1, w]) | (unknown[row, w] ^ unknown[row - 1, w])
        moved |= differs & mask[w]
    return moved != np.uint64(0)


@njit(cache=True, nogil=True)
def _select_on(levels, row, word, bit, active):
    """Whether the select took its active level in ``row``."""
    now = np.int64((levels[row, word] >> bit) & np.uint64(1))
    was = np.int64((levels[row - 1, word] >> bit) & np.uint64(1))
    return now == active and was != active


@njit(cache=True, nogil=True)
def find_moments(time, levels, unknown, before, at, after, begin, end, rule, region, skew,
                 address_mask, data_mask, select_word, select_bit, select_active, chip_mask, moments):  # fmt: skip
    """Fills ``moments`` int64 (k, M_CHIPS + chips).

    ``address_mask``, ``data_mask`` uint64 (rules, words): the lines of each rule's
    address and data. ``select_*`` int64/uint64/int64 (regions + 1,), word -1 where none is
    clipped; ``chip_mask`` uint64 (regions + 1, chips, words) the data lines of each
    chip; region -1 means the last entry. A change less than ``skew`` before the
    strobe's end belongs to what comes after it: the sampling cannot tell.
    """
    chips = chip_mask.shape[1]
    rows = time.shape[0]
    for k in range(at.shape[0]):
        moments[k, :] = ABSENT
        r = rule[k]
        g = region[k]
        close = time[end[k]] - skew
        waiting = chips
        row = end[k]
        while row > before[k] and row > 0:
            t = time[row]
            if t >= close and t >= time[begin[k]] and end[k] != begin[k]:
                if _moved(levels, unknown, row, data_mask[r]):
                    moments[k, M_DATA_AFTER] = t
                if _moved(levels, unknown, row, address_mask[r]):
                    moments[k, M_ADDRESS_AFTER] = t
            else:
                if moments[k, M_ADDRESS] == ABSENT and _moved(levels, unknown, row, address_mask[r]):
                    moments[k, M_ADDRESS] = t
                if _moved(levels, unknown, row, data_mask[r]):
                    if moments[k, M_DATA] == ABSENT:
                        moments[k, M_DATA] = t
                    if waiting > 0:
                        for c in range(chips):
                            if moments[k, M_CHIPS + c] == ABSENT and _moved(levels, unknown, row, chip_mask[g, c]):
                                moments[k, M_CHIPS + c] = t
                                waiting -= 1
                wanted = select_word[g] >= 0 and moments[k, M_SELECT] == ABSENT
                if wanted and _select_on(levels, row, select_word[g], select_bit[g], select_active[g]):
                    moments[k, M_SELECT] = t
            row -= 1
        row = end[k] + 1
        last = min(after[k], rows - 1)
        while row <= last:
            if moments[k, M_DATA_AFTER] == ABSENT and _moved(levels, unknown, row, data_mask[r]):
                moments[k, M_DATA_AFTER] = time[row]
            if moments[k, M_ADDRESS_AFTER] == ABSENT and _moved(levels, unknown, row, address_mask[r]):
                moments[k, M_ADDRESS_AFTER] = time[row]
            if moments[k, M_DATA_AFTER] != ABSENT and moments[k, M_ADDRESS_AFTER] != ABSENT:
                break
            row += 1
    return np.int64(0)


@njit(cache=True, nogil=True)
def line_edges(time, levels, word, bit, before, rises, edges):
    """Times of one line's edges: ``rises`` and ``edges`` (both kinds), int64 with room for every row.

    ``before`` is the level of the row before the first, -1 if there is none. Returns
    (rises, edges, last level).
    """
    rising = 0
    every = 0
    was = before
    for row in range(time.shape[0]):
        now = np.int64((levels[row, word] >> bit) & np.uint64(1))
        if now != was and was >= 0:
            edges[every] = time[row]
            every += 1
            if now == 1:
                rises[rising] = time[row]
                rising += 1
        was = now
    return rising, every, was
