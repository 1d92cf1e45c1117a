# mypy: ignore-errors
"""First pass over a capture's rows: where spans begin and end, latches hold, samples are missing.

Arrays are handed to small functions a dozen times a cycle; counting references to them would take most
of the time. These functions allocate nothing, so they are compiled without that count and inlined.

Works on ``Tables`` (``tables.py``), keeps its state in arrays between blocks, raises nothing and knows
no names. Conditions have three values: 1 holds, 0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

_UNCOUNTED = {"_nrt": False}
_INLINED = {"_nrt": False, "inline": "always"}

STROBE, LATCH, GAP = 0, 1, 2
UNSEEN, DOUBTED = 1, 2  # a span's begin was not seen; a line of its strobe was unknown
RING = 31


@njit(cache=True, nogil=True, **_INLINED)
def _row_holds(number, levels, unknown, i, expr, term, lit):
    """Expression ``number`` on row i: 1, 0 or -1."""
    if number < 0:
        return 1 if number == -1 else 0
    doubt = False
    for n in range(expr[number], expr[number + 1]):
        value = 1
        for k in range(term[n], term[n + 1]):
            word, mask = lit[k, 1], lit[k, 2]
            open_bits = unknown[i, word] & mask
            if (levels[i, word] ^ lit[k, 3]) & mask & ~open_bits:
                value = 0
                break
            if open_bits:
                value = -1
        if value == 1:
            return 1
        if value == -1:
            doubt = True
    return -1 if doubt else 0


@njit(cache=True, nogil=True, **_INLINED)
def _bit(levels, unknown, i, word, bit):
    """Level of one bit of row i: 1, 0 or -1."""
    one = np.uint64(1) << np.uint64(bit)
    if unknown[i, word] & one:
        return -1
    return 1 if levels[i, word] & one else 0


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _median(ring, known):
    """The middle one of the first ``known`` intervals, the upper one of two."""
    for i in range(known):
        below = 0
        for j in range(known):
            if ring[j] < ring[i] or (ring[j] == ring[i] and j < i):
                below += 1
        if below == known // 2:
            return ring[i]
    return np.int64(0)


@njit(cache=True, nogil=True, **_INLINED)
def _interval(ring, counts, interval, clock):
    """Put a clock (or strobe) interval into the ring; counts[3] = silence in ticks that means missing samples."""
    ring[counts[2] % RING] = interval
    counts[2] += 1
    if counts[2] == 8 or counts[2] % RING == 0:
        median = _median(ring, min(counts[2], RING))
        counts[3] = max(median * clock[2] // 16, clock[3])


@njit(cache=True, nogil=True, **_INLINED)
def _span(s, state, row, now, strobe, spans, ring, counts, clock, events, found):
    """Strobe s changes to ``state`` at row ``row``; returns the number of events so far."""
    before = spans[s, 0]
    if state == -1:
        spans[s, 3] |= DOUBTED
        return found
    at_begin = strobe[s, 1] == 1
    if state == 1:
        spans[s, 0], spans[s, 1], spans[s, 2] = 1, row, now
        spans[s, 3] = (spans[s, 3] & DOUBTED) | (UNSEEN if before == -1 else 0)
    else:
        spans[s, 0] = 0
    if (at_begin and state == 1 and before == 0) or (not at_begin and state == 0 and before == 1):
        events[found, 0], events[found, 1] = STROBE, s
        events[found, 2], events[found, 3] = spans[s, 1], spans[s, 2]
        events[found, 4], events[found, 5], events[found, 6] = row, now, spans[s, 3]
        found += 1
        if clock[1] < 0:
            if counts[4] >= 0:
                _interval(ring, counts, now - counts[4], clock)
            counts[4] = now
    if state == 0:
        spans[s, 3] = 0
    return found


@njit(cache=True, nogil=True, **_UNCOUNTED)
def scan(time, levels, unknown, start, base, gap_ends, t, spans, latches, last, ring, counts, events):
    """Find the ends of spans, the edges of latches and the gaps in rows start: of the arrays.

    spans int64 (strobes, 4): state (1, 0, -1 unknown), begin row, begin time, doubts. latches int64
    (latches,): state. last uint64 (2, words): levels and unknown of the row before. counts int64 (8,):
    rows seen, clock level, intervals, silence, last interval's begin, rejected spans, gap ends used,
    spans begun. Rows are numbered from the capture's first: row i here is base + i. events int64 (m, 7): what, index,
    begin row, begin time, end row, end time, doubts.
    Returns (rows done, events written); rows done < rows given when events is full.
    """
    n, words = levels.shape
    n_strobes, n_latches = spans.shape[0], latches.shape[0]
    found = 0
    room = events.shape[0] - n_strobes - n_latches - 2
    ctrl, expr, term, lit, latch, clock = t.ctrl, t.expr, t.term, t.lit, t.latch, t.clock
    strobe = t.strobe
    for i in range(start, n):
        if found > room:
            return i, found
        fresh = counts[0] == 0
        jump = (not fresh) and counts[3] > 0 and time[i] - counts[7] > counts[3]
        dumped = counts[6] < gap_ends.shape[0] and time[i] >= gap_ends[counts[6]]
        look = fresh or jump or dumped
        for w in range(words):
            if ((levels[i, w] ^ last[0, w]) | (unknown[i, w] ^ last[1, w])) & ctrl[w]:
                look = True
        if look:
            if jump or dumped:
                events[found, 0], events[found, 1] = GAP, 0 if dumped else 1
                events[found, 2], events[found, 3] = base + i, counts[7]
                events[found, 4], events[found, 5], events[found, 6] = base + i, time[i], 0
                found += 1
                counts[4] = -1
                while counts[6] < gap_ends.shape[0] and time[i] >= gap_ends[counts[6]]:
                    counts[6] += 1
                for s in range(n_strobes):
                    counts[5] += 1 if spans[s, 0] == 1 else 0
                    spans[s, 0] = -1
                    spans[s, 3] = 0
                latches[:] = -1
            if clock[1] >= 0:
                level = _bit(levels, unknown, i, clock[0], clock[1])
                if level == 1 and counts[1] == 0:
                    if counts[4] >= 0:
                        _interval(ring, counts, time[i] - counts[4], clock)
                    counts[4] = time[i]
                counts[1] = level
            for k in range(n_latches):
                state = _row_holds(latch[k, 0], levels, unknown, i, expr, term, lit)
                edge = (latches[k] == 0 and state == 1) if latch[k, 1] else (latches[k] == 1 and state == 0)
                if edge:
                    events[found, 0], events[found, 1] = LATCH, k
                    events[found, 2], events[found, 3] = base + i, time[i]
                    events[found, 4], events[found, 5], events[found, 6] = base + i, time[i], 0
                    found += 1
                if state >= 0 or fresh or jump or dumped:
                    latches[k] = state
            for s in range(n_strobes):
                state = _row_holds(strobe[s, 0], levels, unknown, i, expr, term, lit)
                if state != spans[s, 0] or state == -1:
                    found = _span(s, state, base + i, time[i], strobe, spans, ring, counts, clock, events, found)
        counts[0] += 1
        counts[7] = time[i]
        for w in range(words):
            last[0, w] = levels[i, w]
            last[1, w] = unknown[i, w]
    return n, found
