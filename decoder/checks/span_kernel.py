"""Where each cycle lies in the rows, and where its strobe began and ended."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner


@inner(_nrt=False, forceinline=True)
def _holds(levels, row, mask, want, low, high):
    words = mask.shape[1]
    for term in range(low, high):
        fits = True
        for w in range(words):
            if levels[row * words + w] & mask[term, w] != want[term, w]:
                fits = False
                break
        if fits:
            return True
    return False


@inner(_nrt=False, forceinline=True)
def _over_pause(time, levels, row, floor, mask, want, low, high, pause):
    """The row before ``row`` that shows the strobe, if it was away for no more than ``pause`` ticks; else -1."""
    back = time[row + 1]
    while row >= floor and row >= 0 and back - time[row + 1] <= pause:
        if _holds(levels, row, mask, want, low, high):
            return row
        row -= 1
    return np.int64(-1)


FAR_ROWS = 1 << 11
"""A beginning that was found with more room is taken over where it is no further back: a pause has fewer rows."""


@njit(cache=True, nogil=True, _nrt=False)
def strobe_spans(time, levels, rule, before, at, after, strobes, known, begin, end):
    """Fills ``begin`` and ``end`` (int64, rows) for each cycle.

    ``time`` int64 (rows,), ``levels`` uint64 (rows * words,). ``rule`` uint8 (k,) picks the terms
    ``low[rule]:high[rule]`` of ``strobes``, a ``RuleStrobes``. The strobe is looked for between the rows
    ``before`` and ``after``; where the row before the sampling edge does not show it, both are ``at``. A pause of up to
    ``pause`` ticks is no end, as in ``bus.tidy_kernel``: a line rings at its edges. ``known`` int64 (k,), or nothing:
    where each was found to begin in the same rows by a search that went at least twice ``FAR_ROWS`` back; -1 = not.
    """
    mask, want, low, high, from_begin, pause = strobes
    some_known = known.shape[0] > 0
    rows = levels.shape[0] // mask.shape[1]
    for k in range(at.shape[0]):
        r = rule[k]
        begin[k] = at[k]
        end[k] = at[k]
        if from_begin[r]:
            row = at[k]
            while row < after[k] and row < rows and _holds(levels, row, mask, want, low[r], high[r]):
                row += 1
            end[k] = min(row, rows - 1)
            continue
        if some_known and before[k] < known[k] < at[k] and at[k] - known[k] < FAR_ROWS:
            begin[k] = known[k]
            continue
        row = at[k] - 1
        if mask.shape[1] == 1 and high[r] - low[r] == 1:  # one term of one word, as most strobes are
            lines, wanted = mask[low[r], 0], want[low[r], 0]
            while row >= before[k] and row >= 0 and levels[row] & lines == wanted:
                row -= 1
        else:
            while row >= before[k] and row >= 0 and _holds(levels, row, mask, want, low[r], high[r]):
                row -= 1
        while before[k] <= row < at[k] - 1:
            earlier = _over_pause(time, levels, row, before[k], mask, want, low[r], high[r], pause)
            if earlier < 0:
                break
            row = earlier
            while row >= before[k] and row >= 0 and _holds(levels, row, mask, want, low[r], high[r]):
                row -= 1
        # A strobe that is there all through the window has no known beginning.
        begin[k] = row + 1 if row >= before[k] else at[k]
    return np.int64(0)


@njit(cache=True, nogil=True, _nrt=False)
def window_moves(levels, unknown, before, begin, end, moved):
    """Fills ``moved``, uint64 (k, words): the lines that are unknown or do not hold one level from the row before each
    cycle's strobe (the window's first one where the capture does not show it) to the strobe's end.

    ``levels``, ``unknown`` uint64 (rows * words,).
    """
    words = moved.shape[1]
    for k in range(begin.shape[0]):
        first = before[k] if begin[k] == end[k] else max(begin[k] - 1, before[k])
        for w in range(words):
            at = first * words + w
            shown, found = levels[at], unknown[at]
            for _ in range(end[k] - first):
                at += words
                found |= (levels[at] ^ shown) | unknown[at]
            moved[k, w] = found
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def all_quiet(moved, k, watched):
    """Whether no line of ``watched`` (uint64, words) is among those that ``window_moves`` found in cycle ``k``."""
    some = np.uint64(0)
    for w in range(watched.shape[0]):
        some |= moved[k, w] & watched[w]
    return some == np.uint64(0)


@inner(_nrt=False, forceinline=True)
def still(levels, unknown, first, last, watched):
    """Whether the lines of ``watched`` (uint64, words) are known and hold one level in rows ``first`` to ``last``."""
    for w in range(watched.shape[0]):
        moved = unknown[first, w]
        for row in range(first + 1, last + 1):
            moved |= (levels[row, w] ^ levels[first, w]) | unknown[row, w]
        if moved & watched[w] != np.uint64(0):
            return False
    return True


@njit(cache=True, nogil=True, _nrt=False)
def place_cycles(row_time, cycle_time, at):
    """Fills ``at`` with the first row whose time is not before each cycle's; both times int64, rising. Returns the most
    rows from one cycle to the next, or to the first one."""
    row, step, furthest = 0, 0, 0
    rows = row_time.shape[0]
    for k in range(cycle_time.shape[0]):
        # Mostly about as far from the cycle before as that was from the one before it.
        found = min(row + step, rows)
        while found > row and row_time[found - 1] >= cycle_time[k]:
            found -= 1
        while found < rows and row_time[found] < cycle_time[k]:
            found += 1
        step = found - row
        row = found
        at[k] = row
        furthest = max(furthest, step)
    return np.int64(furthest)
