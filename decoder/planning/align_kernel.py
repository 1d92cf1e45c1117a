"""Loops of the alignment of two cycle sequences: plain functions of arrays.

A cycle is five numbers: kind class, address, unknown address bits, data,
unknown data bits. Two cycles agree when nothing that both know differs.
"""

import numba as nb
import numpy as np


@nb.njit(cache=True, nogil=True)
def agree(a, i, b, j):
    """Whether row i of ``a`` (int64, n × 5) and row j of ``b`` agree."""
    if a[i, 0] != b[j, 0]:
        return False
    if (a[i, 1] ^ b[j, 1]) & ~(a[i, 2] | b[j, 2]):
        return False
    return ((a[i, 3] ^ b[j, 3]) & ~(a[i, 4] | b[j, 4])) == 0


@nb.njit(cache=True, nogil=True)
def key_signs(rows, seed, out):
    """A pseudo-random +1 or -1 for what each row holds, 0 where a bit is unknown; ``out`` float32."""
    for i in range(rows.shape[0]):
        if rows[i, 2] | rows[i, 4]:
            out[i] = 0.0
            continue
        mixed = np.uint64(rows[i, 0]) * np.uint64(0xBF58476D1CE4E5B9) + np.uint64(seed)
        mixed ^= (np.uint64(rows[i, 1]) + np.uint64(0x632BE59BD9B4E019)) * np.uint64(0x94D049BB133111EB)
        mixed ^= mixed >> np.uint64(27)
        mixed *= np.uint64(0x9E3779B97F4A7C15)
        mixed ^= (np.uint64(rows[i, 3]) + np.uint64(0xD1B54A32D192ED03)) * np.uint64(0xFF51AFD7ED558CCD)
        mixed ^= mixed >> np.uint64(31)
        mixed *= np.uint64(0xC4CEB9FE1A85EC53)
        out[i] = 1.0 if mixed >> np.uint64(63) else -1.0


@nb.njit(cache=True, nogil=True)
def agreeing_rows(a, b, offset):
    """``(rows that agree at a[i] = b[i + offset], start and length of the longest agreeing run)``."""
    first = max(0, -offset)
    last = min(a.shape[0], b.shape[0] - offset)
    total = run = best = 0
    best_at = first
    for i in range(first, last):
        if agree(a, i, b, i + offset):
            total += 1
            run += 1
            if run > best:
                best = run
                best_at = i - run + 1
        else:
            run = 0
    return total, best_at, best


@nb.njit(cache=True, nogil=True)
def same_run(a, i, b, j, most):
    """How many rows agree from (i, j) on, at most ``most``."""
    k = 0
    most = min(most, a.shape[0] - i, b.shape[0] - j)
    while k < most and agree(a, i + k, b, j + k):
        k += 1
    return k


@nb.njit(cache=True, nogil=True)
def walk(a, b, i, j, need, reach, segments):
    """Follow two sequences from a pair that agrees, stepping over what was inserted, lost or changed.

    Where rows stop agreeing, the nearest place (fewest rows skipped in both
    together) is taken from which ``need`` rows agree again, at most ``reach``
    rows on in either. ``segments`` int64, k × 3, receives (i, j, rows) of every
    agreeing stretch. Returns how many; stops when none is found or room ends.
    """
    count = 0
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
        if i >= n or j >= m:
            break
        found = False
        for skipped in range(1, 2 * reach + 1):
            for di in range(max(0, skipped - reach), min(skipped, reach) + 1):
                # Equal skips first: a changed row is commoner than one lost in each run.
                step = skipped // 2 + ((di + 1) // 2 if di % 2 else -(di // 2))
                if step < 0 or step > skipped or step > reach or skipped - step > reach:
                    continue
                if i + step >= n or j + skipped - step >= m:
                    continue
                want = min(need, n - i - step, m - j - skipped + step)
                if want > 0 and same_run(a, i + step, b, j + skipped - step, want) == want:
                    i += step
                    j += skipped - step
                    found = True
                    break
            if found:
                break
        if not found:
            break
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
