"""What a span was, as its strobe's rules tell from the levels at its points.

That depends on few lines at few points, which show the same few patterns all the time: an answer is
kept in ``memo`` and ``told``, and mostly looked up.

Works on ``Tables`` (``tables.py``), raises nothing and knows no names. Conditions have three values: 1 holds,
0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

from busledger.decoder.bus.columns_kernel import (
    ADDRESS,
    DATA,
    MATCH,
    MATCH_MASK,
    STROBE_OF,
    WAIT_WHEN,
    WHEN,
    WRITES,
)
from busledger.decoder.bus.expression_kernel import HALF, IN_PLANES, SLOT_SHIFT, SPREAD, holds
from busledger.decoder.inner_kernel import INNER

RULE, SURE, WAITS, LANES, USED, CERTAIN = 0, 1, 2, 3, 4, 5  # columns of ``told``


@njit(**INNER, _nrt=False, forceinline=True)
def read_source(number, lev, unk, mov, t):
    """(levels, moved, lost, missing) of source ``number``, each as bits at their places."""
    value, moved, lost = np.uint64(0), np.uint64(0), np.uint64(0)
    for p in range(t.piece_start[number], t.piece_start[number + 1]):
        spot, right, left, mask = t.piece[p, 0], t.piece[p, 2], t.piece[p, 3], t.piece[p, 4]
        value |= ((lev[spot] >> right) << left) & mask
        lost |= ((unk[spot] >> right) << left) & mask
        moved |= ((mov[spot] >> right) << left) & mask
    for p in range(t.steady_start[number], t.steady_start[number + 1]):
        moved |= ((lev[t.steady[p, 0]] >> t.steady[p, 1]) << t.steady[p, 2]) & t.steady[p, 3]
    return (value ^ t.source[number, 0]) | t.source[number, 1], moved, lost & ~moved, t.source[number, 2]


@njit(**INNER, _nrt=False)
def _match(s, lev, unk, mov, t):
    """(rule, 1 or -1) of strobe s; where several may fit for want of a level, a write is taken; (-1, 0) none."""
    rule = t.rule
    chosen, sure = -1, 0
    for r in range(rule.shape[0]):
        if rule[r, STROBE_OF] != s:
            continue
        fits = holds(rule[r, WHEN], lev, unk, 0, IN_PLANES, t.expr, t.term, t.lit)
        mask = np.uint64(rule[r, MATCH_MASK])
        if fits != 0 and mask != 0 and rule[r, ADDRESS] >= 0:
            value, moved, lost, missing = read_source(rule[r, ADDRESS], lev, unk, mov, t)
            open_bits = (moved | lost | missing) & mask
            if (value ^ np.uint64(rule[r, MATCH])) & mask & ~open_bits:
                fits = 0
            elif open_bits:
                fits = -1
        if fits == 0:
            continue
        if chosen < 0:
            chosen, sure = r, fits
        elif rule[r, WRITES]:
            chosen = r
        if fits == 1:
            break
    return chosen, sure


@njit(**INNER, _nrt=False)
def _lanes(r, all_bits, lev, unk, t):
    """(byte lanes in use, their bits, 1 or -1 when one of them is in doubt)."""
    lanes, bits, sure = np.uint64(0), np.uint64(0), 1
    for n in range(t.lane_start[r], t.lane_start[r + 1]):
        state = holds(t.lane[n, 1], lev, unk, 0, IN_PLANES, t.expr, t.term, t.lit)
        if state != 0:
            lanes |= np.uint64(1) << np.uint64(t.lane[n, 0])
        if state == -1:
            sure = -1
    for n in range(4):
        byte = np.uint64(255) << np.uint64(8 * n)
        if t.lane_start[r] == t.lane_start[r + 1] and all_bits & byte:
            lanes |= np.uint64(1) << np.uint64(n)
        if (lanes >> np.uint64(n)) & np.uint64(1):
            bits |= byte & all_bits
    return lanes, bits, sure


@njit(**INNER, _nrt=False)
def _answer(s, lev, unk, mov, t, answer):
    """Fill ``answer``, a row of ``told``, for strobe s."""
    r, sure = _match(s, lev, unk, mov, t)
    answer[RULE], answer[SURE], answer[WAITS] = r, sure, 0
    answer[LANES], answer[USED], answer[CERTAIN] = 0, 0, 1
    if r < 0:
        return
    if holds(t.rule[r, WAIT_WHEN], lev, unk, 0, IN_PLANES, t.expr, t.term, t.lit) == 1:
        answer[WAITS] = 1
    if t.rule[r, DATA] >= 0:
        answer[LANES], answer[USED], answer[CERTAIN] = _lanes(r, t.source[t.rule[r, DATA], 3], lev, unk, t)


@njit(**INNER, _nrt=False, forceinline=True)
def look_up(s, lev, unk, mov, t, memo, told):
    """The row of ``told`` with the answer of strobe s's rules to the planes, worked out if it is not there yet.

    memo uint64 (SLOTS, 1 + 3 most key words): strobe + 1, then what its keys show: levels, unknown, moved. told int64
    (SLOTS, 6): rule or -1, 1 = it is sure, 1 = its cycle waited, byte lanes, their bits, -1 = a lane is in doubt.
    """
    first, stop = t.key_start[s], t.key_start[s + 1]
    mixed = np.uint64(s) * SPREAD
    for k in range(first, stop):
        spot, mask = t.key[k, 0], t.key[k, 1]
        mixed = (mixed ^ (lev[spot] & mask) ^ ((unk[spot] & mask) << HALF)) * SPREAD
    slot = mixed >> SLOT_SHIFT
    known = memo[slot, 0] == np.uint64(s + 1)
    memo[slot, 0] = s + 1
    for k in range(first, stop):
        spot, mask, column = t.key[k, 0], t.key[k, 1], 1 + 3 * (k - first)
        high, lost, moved = lev[spot] & mask, unk[spot] & mask, mov[spot] & t.key[k, 2]
        known = known and memo[slot, column] == high
        known = known and memo[slot, column + 1] == lost and memo[slot, column + 2] == moved
        memo[slot, column], memo[slot, column + 1], memo[slot, column + 2] = high, lost, moved
    if not known:
        _answer(s, lev, unk, mov, t, told[slot])
    return slot
