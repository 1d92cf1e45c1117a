"""Select levels at the very moment of each cycle: active, quiet, or not sure."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.checks.span_kernel import all_quiet
from busledger.decoder.inner_kernel import inner


@inner(_nrt=False)
def _held(time, levels, unknown, row, floor, low, word, bit):
    """The one level a line held from time ``low`` to row ``row``: 0, 1, or 2 where it moved or is unknown."""
    mask = np.uint64(1) << bit
    level = levels[row, word] & mask
    while True:
        if unknown[row, word] & mask != np.uint64(0) or levels[row, word] & mask != level:
            return 2
        if time[row] <= low or row == floor:
            break
        row -= 1
    return 1 if level != np.uint64(0) else 0


@inner(_nrt=False, forceinline=True)
def _all_still(time, levels, unknown, row, low, watched):
    """Whether every line of ``watched`` (uint64, words) is known and holds one level from time ``low`` to ``row``."""
    for w in range(watched.shape[0]):
        k, shown, moved = row, levels[row, w], unknown[row, w]
        while k > 0 and time[k] > low:
            k -= 1
            moved |= (levels[k, w] ^ shown) | unknown[k, w]
        if moved & watched[w] != np.uint64(0):
            return False
    return True


@njit(cache=True, nogil=True, _nrt=False)
def see_selects(time, levels, unknown, at, begin, moved, skew, lines, active, region, selected, seen):
    """Fills ``selected`` and ``seen`` (uint64, one a cycle), bits by region.

    ``at``, ``begin`` int64 (k,): rows of the sampling edge and of the strobe's beginning, equal where the strobe
    is not shown; ``moved`` uint64 (k, words): what moved in it, of those that are shown. ``skew``: ticks by which two
    channels may lie apart. ``lines``: word int64, bit uint64 (selects,) and, uint64 (words,), all of them as bits.
    Select s is active at level ``active[s]``, and speaks for the regions ``region[s]`` (uint64, a bit each).

    Active: steadily so just before the edge, as far before it as channels are skewed, and once more as long.
    Quiet: from the strobe's first row to there without a break.
    """
    word, bit, watched = lines
    every = np.uint64(0)
    for s in range(word.shape[0]):
        every |= region[s]
    for k in range(at.shape[0]):
        if at[k] < 1:
            continue
        high = time[min(at[k], time.shape[0] - 1)] - max(skew, 1)
        shown = begin[k] < at[k]
        # In nearly all cycles no select moves from the strobe's beginning to its end, nor at either.
        if shown and time[begin[k]] <= high and all_quiet(moved, k, watched):
            row, came = at[k] - 1, np.uint64(0)
            for s in range(word.shape[0]):
                if np.int64((levels[row, word[s]] >> bit[s]) & np.uint64(1)) == active[s]:
                    came |= region[s]
            seen[k], selected[k] = every, came
            continue
        row = at[k] - 1
        while row > 0 and time[row] > high:
            row -= 1
        if time[row] > high:
            continue
        settled = high - skew
        if shown:
            # A strobe shorter than that: no earlier than its selects can be seen.
            settled = min(high, max(settled, time[begin[k]] + skew))
        quiet = min(high, time[begin[k]]) if shown else high - skew
        still = _all_still(time, levels, unknown, row, min(settled, quiet), watched)
        for s in range(word.shape[0]):
            if still:
                seen[k] |= region[s]
                if np.int64((levels[row, word[s]] >> bit[s]) & np.uint64(1)) == active[s]:
                    selected[k] |= region[s]
                continue
            level = _held(time, levels, unknown, row, 0, settled, word[s], bit[s])
            if level == 2:
                continue
            if level == active[s]:
                selected[k] |= region[s]
                seen[k] |= region[s]
            elif _held(time, levels, unknown, row, 0, quiet, word[s], bit[s]) == level:
                seen[k] |= region[s]
    return np.int64(0)
