# mypy: ignore-errors
"""What a span was, as its strobe's rules tell from the levels at its points.

That depends on few lines at few points, which show the same few patterns all the time: an answer is
kept in ``memo`` and ``told``, and mostly looked up.

Works on ``Tables`` (``tables.py``), raises nothing and knows no names. Conditions have three values: 1 holds,
0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

_UNCOUNTED = {"_nrt": False}  # nothing is allocated, so references need no count
_INLINED = {"_nrt": False, "inline": "always"}

RULE, SURE, WAITS, LANES, USED, CERTAIN = 0, 1, 2, 3, 4, 5  # columns of ``told``
SPREAD = np.uint64(0x9E3779B97F4A7C15)  # 2^64 / golden ratio: multiplied by it, words differ in their top bits
HALF, SLOT_SHIFT = np.uint64(32), np.uint64(56)


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _plane_holds(number, levels, unknown, expr, term, lit):
    """Expression ``number`` on the planes of one span: 1, 0 or -1."""
    if number < 0:
        return 1 if number == -1 else 0
    doubt = False
    for n in range(expr[number], expr[number + 1]):
        value = 1
        for k in range(term[n], term[n + 1]):
            spot, mask = lit[k, 0], lit[k, 2]
            open_bits = unknown[spot] & mask
            if (levels[spot] ^ lit[k, 3]) & mask & ~open_bits:
                value = 0
                break
            if open_bits:
                value = -1
        if value == 1:
            return 1
        if value == -1:
            doubt = True
    return -1 if doubt else 0


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _gather(source, planes, piece_start, piece):
    """Bits of ``planes`` (levels or unknown) that source ``source`` names, at their places."""
    value = np.uint64(0)
    for p in range(piece_start[source], piece_start[source + 1]):
        value |= ((planes[piece[p, 0]] >> piece[p, 2]) << piece[p, 3]) & piece[p, 4]
    return value


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _match(s, lev, unk, t):
    """(rule, 1 or -1) of strobe s; where several may fit for want of a level, a write is taken; (-1, 0) none."""
    rule, source = t.rule, t.source
    chosen, sure = -1, 0
    for r in range(rule.shape[0]):
        if rule[r, 0] != s:
            continue
        holds = _plane_holds(rule[r, 1], lev, unk, t.expr, t.term, t.lit)
        mask = np.uint64(rule[r, 9])
        if holds != 0 and mask != 0 and rule[r, 6] >= 0:
            address = rule[r, 6]
            open_bits = (_gather(address, unk, t.piece_start, t.piece) | source[address, 2]) & mask
            value = (_gather(address, lev, t.piece_start, t.piece) ^ source[address, 0]) | source[address, 1]
            if (value ^ np.uint64(rule[r, 8])) & mask & ~open_bits:
                holds = 0
            elif open_bits:
                holds = -1
        if holds == 0:
            continue
        if chosen < 0:
            chosen, sure = r, holds
        elif rule[r, 5]:
            chosen = r
        if holds == 1:
            break
    return chosen, sure


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _lanes(r, all_bits, lev, unk, t):
    """(byte lanes in use, their bits, 1 or -1 when one of them is in doubt)."""
    lanes, bits, sure = np.uint64(0), np.uint64(0), 1
    for n in range(t.lane_start[r], t.lane_start[r + 1]):
        state = _plane_holds(t.lane[n, 1], lev, unk, t.expr, t.term, t.lit)
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


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _answer(s, lev, unk, t, answer):
    """Fill ``answer``, a row of ``told``, for strobe s."""
    r, sure = _match(s, lev, unk, t)
    answer[RULE], answer[SURE], answer[WAITS] = r, sure, 0
    answer[LANES], answer[USED], answer[CERTAIN] = 0, 0, 1
    if r < 0:
        return
    if _plane_holds(t.rule[r, 2], lev, unk, t.expr, t.term, t.lit) == 1:
        answer[WAITS] = 1
    if t.rule[r, 7] >= 0:
        answer[LANES], answer[USED], answer[CERTAIN] = _lanes(r, t.source[t.rule[r, 7], 3], lev, unk, t)


@njit(cache=True, nogil=True, **_INLINED)
def look_up(s, lev, unk, t, memo, told):
    """The row of ``told`` with the answer of strobe s's rules to the planes, worked out if it is not there yet.

    memo uint64 (SLOTS, 1 + 2 most key words): strobe + 1, then the levels and unknown bits of its keys. told int64
    (SLOTS, 6): rule or -1, 1 = it is sure, 1 = its cycle waited, byte lanes, their bits, -1 = a lane is in doubt.
    """
    first, stop = t.key_start[s], t.key_start[s + 1]
    mixed = np.uint64(s) * SPREAD
    for k in range(first, stop):
        spot, mask = t.key[k, 0], t.key[k, 1]
        mixed = (mixed ^ (lev[spot] & mask) ^ ((unk[spot] & mask) << HALF)) * SPREAD
    slot = mixed >> SLOT_SHIFT
    known = memo[slot, 0] == np.uint64(s + 1)
    for k in range(first, stop):
        spot, mask, column = t.key[k, 0], t.key[k, 1], 1 + 2 * (k - first)
        known = known and memo[slot, column] == lev[spot] & mask
        known = known and memo[slot, column + 1] == unk[spot] & mask
    if not known:
        memo[slot, 0] = s + 1
        for k in range(first, stop):
            spot, mask, column = t.key[k, 0], t.key[k, 1], 1 + 2 * (k - first)
            memo[slot, column], memo[slot, column + 1] = lev[spot] & mask, unk[spot] & mask
        _answer(s, lev, unk, t, told[slot])
    return slot
