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


@inner(_nrt=False, forceinline=True)
def _moves(levels, unknown, first, last, moved, k):
    """Into row ``k`` of ``moved`` the lines that are unknown or do not hold one level in rows ``first`` to ``last``."""
    words = moved.shape[1]
    if (last + 1) * words > levels.shape[0]:  # rows that are not there
        for w in range(words):
            moved[k, w] = ~np.uint64(0)
        return
    for w in range(words):
        at = first * words + w
        shown, found = levels[at], unknown[at]
        for _ in range(last - first):
            at += words
            found |= (levels[at] ^ shown) | unknown[at]
        moved[k, w] = found


@njit(cache=True, nogil=True, _nrt=False)
def strobe_spans(rows, rule, before, at, after, strobes, known, begin, end, moved, all_moves):
    """Fills ``begin`` and ``end`` (int64, rows) for each cycle, and ``moved``, uint64 (k, words): the lines that are
    unknown or do not hold one level from the row before the strobe to its end; where the capture does not show the
    strobe, from ``before`` on, and only if ``all_moves``.

    ``rows``: time int64 (rows,), levels, unknown uint64 (rows * words,). ``rule`` uint8 (k,) picks the terms
    ``low[rule]:high[rule]`` of ``strobes``, a ``RuleStrobes``. The strobe is looked for between the rows
    ``before`` and ``after``; where the row before the sampling edge does not show it, both are ``at``. A pause of up to
    ``pause`` ticks is no end, as in ``bus.tidy_kernel``: a line rings at its edges. ``known`` int64 (k,), or nothing:
    where each was found to begin in the same rows by a search that went at least twice ``FAR_ROWS`` back; -1 = not.
    What moved is then there already.
    """
    time, levels, unknown = rows
    mask, want, low, high, from_begin, pause = strobes
    some_known, count = known.shape[0] > 0, time.shape[0]
    one_word = mask.shape[1] == 1
    for k in range(at.shape[0]):
        r, here, bound = rule[k], at[k], before[k]
        first, floor = here, max(bound, 0)
        if from_begin[r]:
            row = here
            while row < after[k] and row < count and _holds(levels, row, mask, want, low[r], high[r]):
                row += 1
            begin[k], end[k] = here, min(row, count - 1)
        elif some_known and bound < known[k] < here and here - known[k] < FAR_ROWS:
            begin[k], end[k] = known[k], here
            continue
        else:
            row, end[k] = here - 1, here
            plain = one_word and high[r] - low[r] == 1 and here < count
            if plain:  # one term of one word, as most strobes are: what moves is seen on the way
                lines, wanted = mask[low[r], 0], want[low[r], 0]
                shown, found = levels[here], unknown[here]
                while row >= floor:
                    was = levels[row]
                    found |= (was ^ shown) | unknown[row]
                    if was & lines != wanted:
                        break
                    row -= 1
                moved[k, 0] = found
            else:
                while row >= floor and _holds(levels, row, mask, want, low[r], high[r]):
                    row -= 1
            while floor <= row < here - 1:
                earlier = _over_pause(time, levels, row, bound, mask, want, low[r], high[r], pause)
                if earlier < 0:
                    break
                row, plain = earlier, False
                while row >= floor and _holds(levels, row, mask, want, low[r], high[r]):
                    row -= 1
            # A strobe that is there all through the window has no known beginning.
            first = row + 1 if row >= bound else here
            begin[k] = first
            if plain and first < here:
                continue
        if first < end[k]:
            _moves(levels, unknown, max(first - 1, bound), end[k], moved, k)
        elif all_moves:
            _moves(levels, unknown, bound, end[k], moved, k)
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def all_quiet(moved, k, watched):
    """Whether no line of ``watched`` (uint64, words) is among those that moved in the strobe of cycle ``k``."""
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
