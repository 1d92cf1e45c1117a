"""Select levels in each cycle, by the region that the cycle belongs to."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.checks.span_kernel import all_quiet
from busledger.decoder.inner_kernel import inner

LOW, HIGH, UNKNOWN = 0, 1, 2
BY_VALUE = 6
"""So many selects are counted by the word that they make, and by select once a block."""


@inner(_nrt=False, forceinline=True)
def dwell(time, levels, unknown, first, last, t_from, t_to, word, bit):
    """The level that a line held longest in ``t_from <= t < t_to``: 0, 1, or 2 for unknown.

    ``first``/``last`` are rows around the span; row r lasts until row r + 1.
    """
    held = 0
    total = 0
    mask = np.uint64(1) << bit
    for row in range(first, last + 1):
        low = max(time[row], t_from)
        high = t_to
        if row + 1 < time.shape[0] and time[row + 1] < high:
            high = time[row + 1]
        if high <= low:
            continue
        if unknown[row, word] & mask != np.uint64(0):
            return UNKNOWN
        total += high - low
        if levels[row, word] & mask != np.uint64(0):
            held += high - low
    if total == 0:
        if unknown[first, word] & mask != np.uint64(0):
            return UNKNOWN
        return HIGH if levels[first, word] & mask != np.uint64(0) else LOW
    return HIGH if 2 * held >= total else LOW


@inner(_nrt=False, forceinline=True)
def _comes(time, levels, first, last, t_to, word, bit, active):
    """Whether a line is at its active level in any of the rows ``first`` to ``last`` that begin before ``t_to``."""
    for row in range(first, last + 1):
        if time[row] >= t_to:
            break
        if np.int64((levels[row, word] >> bit) & np.uint64(1)) == active:
            return True
    return False


@inner(_nrt=False, forceinline=True)
def _value(levels, row, word, bit):
    """The levels of all selects in one row, the first one lowest."""
    value = np.int64(0)
    for s in range(word.shape[0]):
        value |= np.int64((levels[row, word[s]] >> bit[s]) & np.uint64(1)) << s
    return value


@inner(_nrt=False)
def _spread(seen, seen_first, counts, first):
    """Adds cycles counted by the word that the selects made, int64 (groups, words), to the counts of each select."""
    for g in range(seen.shape[0]):
        for value in range(seen.shape[1]):
            if seen[g, value] == 0:
                continue
            when = seen_first[g, value]
            for s in range(counts.shape[1]):
                level = (value >> s) & 1
                counts[g, s, level] += seen[g, value]
                if first[g, s, level] < 0 or when < first[g, s, level]:
                    first[g, s, level] = when


@njit(cache=True, nogil=True)
def count_selects(windows, group, cycle_time, skew, word, bit, own, active, counts, first, late, late_first):
    """Adds each cycle's select levels to ``counts``; ``windows``: ``Windows`` of the caller.

    ``group`` int64 (k,): row of ``counts`` for this cycle, -1 = leave it out.
    ``own`` int64 (groups,): index of the group's own select, -1 none; ``active``
    int64 (selects,): its active level. ``counts`` int64 (groups, selects, 2) by
    level (a select of its own that came for a part of the strobe only is neither); ``first`` likewise, ticks of the
    first one, -1 never; ``late``,
    ``late_first`` int64 (selects,): own selects that came in the second half of the strobe.
    """
    time, levels, unknown, before, _, _, begin, end, moved = windows
    watched = np.zeros(levels.shape[1], np.uint64)
    for s in range(word.shape[0]):
        watched[word[s]] |= np.uint64(1) << bit[s]
    few = word.shape[0] <= BY_VALUE
    seen = np.zeros((counts.shape[0], 1 << word.shape[0] if few else 0), np.int64)
    seen_first = np.zeros(seen.shape, np.int64)
    for k in range(group.shape[0]):
        g = group[k]
        if g < 0:
            continue
        first_row = before[k] if begin[k] == end[k] else max(begin[k] - 1, before[k])
        quiet = all_quiet(moved, k, watched)
        if quiet and few:
            value = _value(levels, first_row, word, bit)
            if seen[g, value] == 0:
                seen_first[g, value] = cycle_time[k]
            seen[g, value] += 1
            continue
        start = time[begin[k]]
        stop = time[end[k]]
        half = start + (stop - start) // 2
        t_to = max(stop - skew, half + (stop - half) // 2)
        if begin[k] == end[k]:
            # No strobe to go by: the moment before the sampling edge.
            half = max(stop - skew - 1, time[before[k]])
            t_to = half + 1
        for s in range(word.shape[0]):
            if quiet:
                level = np.int64((levels[first_row, word[s]] >> bit[s]) & np.uint64(1))
            else:
                level = dwell(time, levels, unknown, first_row, end[k], half, t_to, word[s], bit[s])
            if level == UNKNOWN:
                continue
            absent = s == own[g] and level != active[s] and begin[k] < end[k]
            if not quiet and absent and _comes(time, levels, begin[k], end[k], stop - skew, word[s], bit[s], active[s]):
                continue
            counts[g, s, level] += 1
            if first[g, s, level] < 0:
                first[g, s, level] = cycle_time[k]
            if not quiet and s == own[g] and level == active[s] and begin[k] < end[k]:
                # Came late: not active when the second half began.
                row = end[k]
                while row > begin[k] and time[row] > half:
                    row -= 1
                mask = np.uint64(1) << bit[s]
                was = 1 if levels[row, word[s]] & mask != np.uint64(0) else 0
                if was != level:
                    late[s] += 1
                    if late_first[s] < 0:
                        late_first[s] = cycle_time[k]
    _spread(seen, seen_first, counts, first)
    return np.int64(0)
