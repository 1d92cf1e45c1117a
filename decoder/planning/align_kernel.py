"""Loops of the alignment of two cycle sequences: plain functions of arrays.

A cycle is five numbers: kind class, address, unknown address bits, data,
unknown data bits. Two cycles agree when nothing that both know differs.
"""

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import INNER

MATCH, CHANGE, OPEN = 64, 96, 192
LEAST = -(1 << 30)


@nb.njit(**INNER, _nrt=False)
def agree(a, i, b, j):
    """Whether row i of ``a`` (int64, n × 5) and row j of ``b`` agree."""
    if a[i, 0] != b[j, 0]:
        return False
    if (a[i, 1] ^ b[j, 1]) & ~(a[i, 2] | b[j, 2]):
        return False
    return ((a[i, 3] ^ b[j, 3]) & ~(a[i, 4] | b[j, 4])) == 0


@nb.njit(cache=True, nogil=True)
def keys(rows, out):
    """A mixed 64-bit number of what each row holds, 0 where a bit is unknown; ``out`` uint64."""
    for i in range(rows.shape[0]):
        if rows[i, 2] | rows[i, 4]:
            out[i] = 0
            continue
        mixed = np.uint64(rows[i, 0]) * np.uint64(0xBF58476D1CE4E5B9)
        mixed ^= (np.uint64(rows[i, 1]) + np.uint64(0x632BE59BD9B4E019)) * np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(27)
        mixed *= np.uint64(0x9E3779B97F4A7C15)
        mixed ^= (np.uint64(rows[i, 3]) + np.uint64(0xD1B54A32D192ED03)) * np.uint64(0xFF51AFD7ED558CCD)
        mixed ^= mixed >> np.uint64(31)
        out[i] = mixed * np.uint64(0xC4CEB9FE1A85EC53) | np.uint64(1)


@nb.njit(cache=True, nogil=True)
def agreeing_rows(a, b, weight, offset):
    """``(weight of the rows that agree at a[i] = b[i + offset], start and length of the longest agreeing run)``."""
    first = max(0, -offset)
    last = min(a.shape[0], b.shape[0] - offset)
    total = 0.0
    run = best = 0
    best_at = first
    for i in range(first, last):
        if agree(a, i, b, i + offset):
            total += weight[i]
            run += 1
            if run > best:
                best = run
                best_at = i - run + 1
        else:
            run = 0
    return total, best_at, best


@nb.njit(**INNER, _nrt=False)
def same_run(a, i, b, j, most):
    """How many rows agree from (i, j) on, at most ``most``."""
    k = 0
    most = min(most, a.shape[0] - i, b.shape[0] - j)
    while k < most and agree(a, i + k, b, j + k):
        k += 1
    return k


@nb.njit(cache=True, nogil=True, _nrt=False)
def extend(a, i, b, j, score, moves, pairs):
    """The best-scoring alignment that starts at (i, j) and ends anywhere in the window: Gotoh's recurrence.

    Agreeing rows earn ``MATCH``, changed ones cost ``CHANGE``, a gap costs
    ``OPEN`` and 1 for every row skipped. ``score`` int32, 3 × (m + 1), ``moves``
    uint8, (n + 1) × (m + 1): the window. ``pairs`` int64, k × 2, receives the
    agreeing pairs from the last to the first. Returns ``(pairs, end i, end j)``.
    O. Gotoh, J. Mol. Biol. 162, 1982, 705-708.
    """
    n = min(moves.shape[0] - 1, a.shape[0] - i)
    m = min(moves.shape[1] - 1, b.shape[0] - j)
    best, best_p, best_q = np.int32(0), 0, 0
    for q in range(m + 1):
        score[0, q] = 0 if q == 0 else LEAST
        score[1, q] = LEAST
        score[2, q] = -(OPEN + q) if q else LEAST
        moves[0, q] = 0 if q <= 1 else 2 << 4
    for p in range(1, n + 1):
        corner = (score[0, 0], score[1, 0], score[2, 0])
        score[0, 0] = LEAST
        score[1, 0] = -(OPEN + p)
        score[2, 0] = LEAST
        moves[p, 0] = 0 if p == 1 else 1 << 2
        for q in range(1, m + 1):
            above = (score[0, q], score[1, q], score[2, q])
            source = 0
            top = corner[0]
            if corner[1] > top:
                top, source = corner[1], 1
            if corner[2] > top:
                top, source = corner[2], 2
            across = max(top + (MATCH if agree(a, i + p - 1, b, j + q - 1) else -CHANGE), LEAST)
            down, down_source = above[0] - OPEN, 0
            if above[1] > down:
                down, down_source = above[1], 1
            if above[2] - OPEN > down:
                down, down_source = above[2] - OPEN, 2
            right, right_source = score[0, q - 1] - OPEN, 0
            if score[2, q - 1] > right:
                right, right_source = score[2, q - 1], 2
            if score[1, q - 1] - OPEN > right:
                right, right_source = score[1, q - 1] - OPEN, 1
            corner = above
            score[0, q] = across
            score[1, q] = max(down - 1, LEAST)
            score[2, q] = max(right - 1, LEAST)
            moves[p, q] = source | down_source << 2 | right_source << 4
            if across > best:
                best, best_p, best_q = across, p, q
    count = 0
    p, q, state = best_p, best_q, 0
    while p > 0 or q > 0:
        move = moves[p, q]
        if state == 0:
            p -= 1
            q -= 1
            if agree(a, i + p, b, j + q):
                pairs[count, 0] = i + p
                pairs[count, 1] = j + q
                count += 1
            state = move & 3
        elif state == 1:
            p -= 1
            state = move >> 2 & 3
        else:
            q -= 1
            state = move >> 4 & 3
    return count, i + best_p, j + best_q


@nb.njit(**INNER, _nrt=False)
def _resume(a, i, b, j, sure, far):
    """The nearest place from which ``sure`` rows agree, with up to ``far`` rows skipped in one of the two."""
    n, m = a.shape[0], b.shape[0]
    for skipped in range(1, far + 1):
        if i + skipped < n and same_run(a, i + skipped, b, j, sure) == min(sure, n - i - skipped, m - j):
            return i + skipped, j
        if j + skipped < m and same_run(a, i, b, j + skipped, sure) == min(sure, n - i, m - j - skipped):
            return i, j + skipped
    return -1, -1


@nb.njit(cache=True, nogil=True)
def walk(a, b, score, moves, pairs, sure, far, segments):
    """Follow two sequences from their first rows, over what was inserted, lost or changed.

    Where rows stop agreeing the best-scoring way on is taken (``extend``); where
    none pays, the next long agreement (``_resume``). ``segments`` int64, k × 3,
    receives (i, j, rows) of every agreeing stretch. Returns how many; stops
    when there is no way on or no room.
    """
    count = i = j = 0
    n, m = a.shape[0], b.shape[0]
    while i < n and j < m and count < segments.shape[0]:
        run = same_run(a, i, b, j, n)
        if run:
            segments[count, 0] = i
            segments[count, 1] = j
            segments[count, 2] = run
            count += 1
            i += run
            j += run
            continue
        found, end_i, end_j = extend(a, i, b, j, score, moves, pairs)
        if found == 0:
            i, j = _resume(a, i, b, j, sure, far)
            if i < 0:
                break
            continue
        for k in range(found - 1, -1, -1):
            last = count - 1
            fresh = count == 0 or pairs[k, 0] != segments[last, 0] + segments[last, 2]
            if fresh or pairs[k, 1] != segments[last, 1] + segments[last, 2]:
                if count == segments.shape[0]:
                    break
                segments[count, 0] = pairs[k, 0]
                segments[count, 1] = pairs[k, 1]
                segments[count, 2] = 1
                count += 1
            else:
                segments[last, 2] += 1
        i, j = end_i, end_j
    return count


@nb.njit(cache=True, nogil=True)
def believe(a, b, segments, count, partner):
    """Pair the rows of each stretch, but not those that a neighbouring stretch could claim as well.

    Where something was inserted into a repeating loop, several alignments are
    equally good: rows that agree along the next stretch's diagonal too (going
    back from its start), or along the last one's (going on from its end), are
    left without a partner.
    """
    for s in range(count):
        i, j, run = segments[s, 0], segments[s, 1], segments[s, 2]
        low, high = 0, run
        if s and segments[s - 1, 0] + segments[s - 1, 2] - segments[s - 1, 1] - segments[s - 1, 2] != i - j:
            shift = segments[s - 1, 1] - segments[s - 1, 0]
            while low < run and i + low + shift < b.shape[0] and agree(a, i + low, b, i + low + shift):
                low += 1
        if s + 1 < count and segments[s + 1, 0] - segments[s + 1, 1] != i - j:
            shift = segments[s + 1, 1] - segments[s + 1, 0]
            while high > low and i + high - 1 + shift >= 0 and agree(a, i + high - 1, b, i + high - 1 + shift):
                high -= 1
        for k in range(low, high):
            partner[i + k] = j + k
