"""When things changed around each cycle's strobe: the raw times that every limit is made of."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner

# Columns of ``moments``, ticks; ABSENT where it did not happen inside the window.
(M_ADDRESS, M_DATA, M_DATA_AFTER, M_ADDRESS_AFTER, M_SELECT, M_CHIPS) = range(6)
ABSENT = -(1 << 62)
UNSURE = ABSENT + 1


# ``true_rises``: time and kind of the edge that may be told, time of the last one, and whether it left a change.
E_FIRST, E_RISES, E_LAST, E_STANDS = range(4)
EDGE_SIZE = 4
NOT_SEEN = -(1 << 62)


@inner()
def _moved(levels, unknown, row, mask):
    """Whether any line of ``mask`` differs between ``row`` - 1 and ``row``, unknown being a level of its own."""
    for w in range(mask.shape[0]):
        differs = (levels[row, w] ^ levels[row - 1, w]) | (unknown[row, w] ^ unknown[row - 1, w])
        if differs & mask[w] != np.uint64(0):
            return True
    return False


@inner(_nrt=False, forceinline=True)
def _differs(levels, unknown, row, w):
    return (levels[row, w] ^ levels[row - 1, w]) | (unknown[row, w] ^ unknown[row - 1, w])


@inner(_nrt=False)
def _no_pulses(time, levels, unknown, row, w, first, last, moved, limit):
    """Of the lines ``moved`` that differ in ``row`` those that do so for good: the edges of a line in rows no more than
    ``limit`` ticks apart are one edge, the first of them, if they leave it at another level, and else none.

    Rows after ``first`` and up to ``last`` are looked at.
    """
    kept = moved
    if row - 1 > first and time[row] - time[row - 1] <= limit:
        kept &= ~_differs(levels, unknown, row - 1, w)
    rings, returned, r = kept, np.uint64(0), row + 1
    while r <= last and rings != np.uint64(0) and time[r] - time[r - 1] <= limit:
        rings &= _differs(levels, unknown, r, w)
        returned ^= rings
        r += 1
    return kept & ~returned


@inner(_nrt=False)
def _both_moved(time, levels, unknown, row, first, last, one, other, limit):
    """Whether any line of two masks moved in ``row`` for good, for each of them."""
    here, there = np.uint64(0), np.uint64(0)
    for w in range(one.shape[0]):
        moved = _differs(levels, unknown, row, w) & (one[w] | other[w])
        if moved != np.uint64(0) and limit > 0:
            moved = _no_pulses(time, levels, unknown, row, w, first, last, moved, limit)
        here |= moved & one[w]
        there |= moved & other[w]
    return here != np.uint64(0), there != np.uint64(0)


@inner(_nrt=False)
def _select_on(levels, row, word, bit, active):
    """Whether the select took its active level in ``row``."""
    now = np.int64((levels[row, word] >> bit) & np.uint64(1))
    was = np.int64((levels[row - 1, word] >> bit) & np.uint64(1))
    return now == active and was != active


@inner(_nrt=False)
def _chips_moved(levels, unknown, row, t, chip_mask, moments):
    """Notes the chips whose data changed in ``row`` and that had none noted; how many."""
    found = 0
    for c in range(chip_mask.shape[0]):
        if moments[M_CHIPS + c] == ABSENT and _moved(levels, unknown, row, chip_mask[c]):
            moments[M_CHIPS + c] = t
            found += 1
    return found


@njit(cache=True, nogil=True, _nrt=False)
def find_moments(windows, rule, region, skew, limit, address_mask, data_mask, chip_lines, moments):
    """Fills ``moments`` int64 (k, M_CHIPS + chips); ``windows``: ``Windows`` of the caller.

    ``address_mask``, ``data_mask`` uint64 (rules, words): the lines of each rule's address and data. ``chip_lines``:
    ``ChipLines`` of the caller; region -1 means the last entry. Whether a change less than ``skew`` before the strobe's
    end came late or went early the sampling cannot tell: the moments of what changed there, before and after, are left
    out (UNSURE). A pulse of up to ``limit`` ticks on one line is no change of it.
    """
    time, levels, unknown, before, at, after, begin, end, _ = windows
    select_word, select_bit, select_active, chip_mask, chips = chip_lines
    rows = time.shape[0]
    for k in range(at.shape[0]):
        noted = moments[k]
        noted[:] = ABSENT
        g = region[k]
        address, data, lanes = address_mask[rule[k]], data_mask[rule[k]], chip_mask[g]
        close = time[end[k]] - skew
        spanned = end[k] != begin[k]
        waiting = chips[g]
        selected = select_word[g] < 0
        row = end[k]
        last = min(after[k], rows - 1)
        while row > before[k] and row > 0:
            address_moved, data_moved = _both_moved(
                time, levels, unknown, row, before[k], last, address, data, limit
            )
            if spanned and time[row] >= close and row >= begin[k]:
                if data_moved and time[row] < time[end[k]]:
                    noted[M_DATA] = noted[M_DATA_AFTER] = UNSURE
                elif data_moved:
                    noted[M_DATA_AFTER] = time[row]
                if address_moved and time[row] < time[end[k]]:
                    noted[M_ADDRESS] = noted[M_ADDRESS_AFTER] = UNSURE
                elif address_moved:
                    noted[M_ADDRESS_AFTER] = time[row]
                row -= 1
                continue
            if address_moved and noted[M_ADDRESS] == ABSENT:
                noted[M_ADDRESS] = time[row]
            if data_moved:
                if noted[M_DATA] == ABSENT:
                    noted[M_DATA] = time[row]
                if waiting > 0:
                    waiting -= _chips_moved(levels, unknown, row, time[row], lanes, noted)
            if not selected and _select_on(levels, row, select_word[g], select_bit[g], select_active[g]):
                noted[M_SELECT] = time[row]
                selected = True
            if selected and waiting == 0 and noted[M_ADDRESS] != ABSENT and noted[M_DATA] != ABSENT:
                break
            row -= 1
        row = end[k] + 1
        while row <= last and (noted[M_DATA_AFTER] == ABSENT or noted[M_ADDRESS_AFTER] == ABSENT):
            address_moved, data_moved = _both_moved(
                time, levels, unknown, row, before[k], last, address, data, limit
            )
            if data_moved and noted[M_DATA_AFTER] == ABSENT:
                noted[M_DATA_AFTER] = time[row]
            if address_moved and noted[M_ADDRESS_AFTER] == ABSENT:
                noted[M_ADDRESS_AFTER] = time[row]
            row += 1
    return np.int64(0)


@njit(cache=True, nogil=True, _nrt=False)
def true_rises(edges, rising, limit, state, rises):
    """Rising edges of a line that rings: ``edges`` int64 (n,), times of all its edges, ``rising`` 1 if the first rises.

    Edges no more than ``limit`` ticks apart are one edge, at the first of them, where they leave the line at another
    level than they found it at, and none where they do not. ``state`` int64 (EDGE_SIZE,), NOT_SEEN at first, carries
    over; an edge is told once the next one has come. ``rises``: int64 with room for one more than there are edges.
    Returns how many.
    """
    told = 0
    kind = np.int64(rising)
    for k in range(edges.shape[0]):
        if state[E_LAST] != NOT_SEEN and edges[k] - state[E_LAST] <= limit:
            state[E_STANDS] = 1 - state[E_STANDS]
        else:
            if state[E_LAST] != NOT_SEEN and state[E_STANDS] == 1 and state[E_RISES] == 1:
                rises[told] = state[E_FIRST]
                told += 1
            state[E_FIRST], state[E_RISES], state[E_STANDS] = edges[k], kind, 1
        state[E_LAST] = edges[k]
        kind = 1 - kind
    return told


@njit(cache=True, nogil=True, _nrt=False)
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
