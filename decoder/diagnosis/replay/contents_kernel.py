"""Unknown contents weighed lane by lane: plain functions of arrays. See ``contents``."""

import math

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

LN2 = math.log(2.0)
_LOG_PI = math.log(math.pi)
BITS = 32


@inner(_nrt=False)
def _draws(high, low):
    """So many high and low levels, drawn with one unknown chance: B(high + 1/2, low + 1/2) / B(1/2, 1/2)."""
    return math.lgamma(high + 0.5) + math.lgamma(low + 0.5) - math.lgamma(high + low + 1.0) - _LOG_PI


@inner(_nrt=False)
def _plus(one, two):
    """log(exp one + exp two)."""
    top = max(one, two)
    if top == -math.inf:
        return top
    return top + math.log(math.exp(one - top) + math.exp(two - top))


@inner(_nrt=False)
def _lane(lane, first, last, word, level, unknown, width, below, has_below, with_bit, both):
    """Log probability of one lane's levels; ``below``: the last lane's, -1 where known before, replaced by this one's.

    ``with_bit``, ``both``: int64[BITS], to work in.
    """
    for b in range(width):
        with_bit[b] = 0
        both[b] = 0
    n = ones = alike = agree = outside = 0
    before = -1
    for i in range(first, last):
        if (unknown[i] >> lane) & 1 == 0:
            below[i] = -1
            continue
        high = np.int64((level[i] >> lane) & 1)
        n += 1
        ones += high
        if before >= 0 and high == before:
            alike += 1
        before = high
        if below[i] < 0:
            outside += 1
        elif below[i] == high:
            agree += 1
        below[i] = high
        for b in range(width):
            if (word[i] >> b) & 1:
                with_bit[b] += 1
                both[b] += high
    logs = 2
    total = _plus(_draws(ones, n - ones), _draws(alike, n - 1 - alike if n else 0) - LN2)
    if width:
        lines = -math.inf
        for b in range(width):
            there = _draws(both[b], with_bit[b] - both[b])
            lines = _plus(lines, there + _draws(ones - both[b], n - with_bit[b] - (ones - both[b])))
        total = _plus(total, lines - math.log(width))
        logs += 1
    if has_below:
        total = _plus(total, _draws(agree, n - outside - agree) - LN2 * outside)
        logs += 1
    return total - math.log(logs)


@nb.njit(cache=True, nogil=True, _nrt=False)
def log_contents(first, word, level, unknown, width, log_lean, log_even, log_alike, below, counts):
    """Sum over memories of the log probability of what was found in each.

    ``first`` int64[memories + 1]: where the rows of each begin; ``word`` int32, ``level``, ``unknown`` uint32 a row, of
    each memory in the order of its words; ``width`` int64 a memory, bits of a word; ``log_lean``, ``log_even``,
    ``log_alike``: log weights of the three ideas; ``below`` int8 a row, ``counts`` int64[2, BITS], to work in.
    """
    with_bit, both = counts[0], counts[1]
    found = 0.0
    for memory in range(width.shape[0]):
        a, z = first[memory], first[memory + 1]
        every = np.uint32(0)
        bits = 0
        all_high = all_low = True
        for i in range(a, z):
            every |= unknown[i]
            left = unknown[i]
            while left:
                left &= left - np.uint32(1)
                bits += 1
            all_high = all_high and (level[i] & unknown[i]) == unknown[i]
            all_low = all_low and (level[i] & unknown[i]) == 0
            below[i] = -1
        total = 0.0
        has_below = False
        for lane in range(BITS):
            if (every >> np.uint32(lane)) & np.uint32(1):
                total += _lane(np.uint32(lane), a, z, word, level, unknown, width[memory], below, has_below, with_bit,
                               both)  # fmt: skip
                has_below = True
        one = _plus(log_lean + total, log_even - LN2 * bits)
        if bits and (all_high or all_low):
            one = _plus(one, log_alike)
        found += one
    return found
