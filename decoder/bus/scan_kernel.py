"""First pass over a capture's rows: where spans begin and end, latches hold, samples are missing.

Most rows move no line that could begin or end a span: a tight loop steps over them. On the others the
conditions of all strobes and latches are asked for together; they depend on few lines, which show the
same few patterns all the time, so that the answers are kept in ``memo`` and are mostly looked up.

Arrays are handed to small functions a dozen times a cycle; counting references to them would take most
of the time. These functions allocate nothing, so they are compiled without that count and inlined.
``width`` is a tuple as long as a row has words: a length that the compiler knows makes one word as quick
as a number.

Works on ``Tables`` (``tables.py``), keeps its state in arrays between blocks, raises nothing and knows
no names. Conditions have three values: 1 holds, 0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

from busledger.decoder.bus.expression_kernel import HALF, IN_ROW, SLOT_SHIFT, SPREAD, holds

STROBE, LATCH, GAP = 0, 1, 2
UNSEEN, DOUBTED = 1, 2  # a span's begin was not seen; a line of its strobe was unknown
RING = 31
ENDLESS = np.int64(9223372036854775807)  # no difference of two stamps is more


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _states(levels, unknown, i, t, memo, states, width):
    """The slot of ``memo`` and ``states`` that holds row i's conditions, evaluated if they are not there yet.

    memo uint64 (SLOTS, 1 + 2 words): 1 = in use, then the control lines' levels and unknown bits. states int64
    (SLOTS, 1 + strobes + latches): the clock's level, then the conditions.
    """
    mixed = np.uint64(0)
    for w in range(len(width)):
        high, open_ = levels[i * len(width) + w] & t.ctrl[w], unknown[i * len(width) + w] & t.ctrl[w]
        mixed = (mixed ^ high ^ (open_ << HALF)) * SPREAD
    slot = mixed >> SLOT_SHIFT
    known = memo[slot, 0] == 1
    for w in range(len(width)):
        high, open_ = levels[i * len(width) + w] & t.ctrl[w], unknown[i * len(width) + w] & t.ctrl[w]
        known = known and memo[slot, 1 + 2 * w] == high and memo[slot, 2 + 2 * w] == open_
        memo[slot, 1 + 2 * w], memo[slot, 2 + 2 * w] = high, open_
    if not known:
        memo[slot, 0] = 1
        n_strobes, n_latches = t.strobe.shape[0], t.latch.shape[0]
        if t.clock[1] >= 0:
            bit = np.uint64(1) << np.uint64(t.clock[1])
            level = 1 if levels[i * len(width) + t.clock[0]] & bit else 0
            states[slot, 0] = -1 if unknown[i * len(width) + t.clock[0]] & bit else level
        for s in range(n_strobes):
            states[slot, 1 + s] = holds(t.strobe[s, 0], levels, unknown, i * len(width), IN_ROW, t.expr, t.term, t.lit)
        for k in range(n_latches):
            state = holds(t.latch[k, 0], levels, unknown, i * len(width), IN_ROW, t.expr, t.term, t.lit)
            states[slot, 1 + n_strobes + k] = state
    return slot


@njit(cache=True, nogil=True, _nrt=False)
def _median(ring, known):
    """The middle one of the first ``known`` intervals, the upper one of two: quick where many are equal."""
    for i in range(known):
        below, equal = 0, 0
        for j in range(known):
            below += 1 if ring[j] < ring[i] else 0
            equal += 1 if ring[j] == ring[i] else 0
        if below <= known // 2 < below + equal:
            return ring[i]
    return np.int64(0)


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _interval(ring, counts, interval, clock):
    """Put a clock (or strobe) interval into the ring; counts[3] = silence in ticks that means missing samples."""
    ring[counts[2] % RING] = interval
    counts[2] += 1
    if counts[2] == 8 or counts[2] % RING == 0:
        median = _median(ring, min(counts[2], RING))
        counts[3] = max(median * clock[2] // 16, clock[3])


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _write(events, found, what, which, begin_row, begin, row, now, doubts):
    """One row of ``events``; returns how many there are now."""
    events[found, 0], events[found, 1] = what, which
    events[found, 2], events[found, 3] = begin_row, begin
    events[found, 4], events[found, 5], events[found, 6] = row, now, doubts
    return found + 1


@njit(cache=True, nogil=True, _nrt=False, inline="always")
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
        found = _write(events, found, STROBE, s, spans[s, 1], spans[s, 2], row, now, spans[s, 3])
        if clock[1] < 0:
            if counts[4] >= 0:
                _interval(ring, counts, now - counts[4], clock)
            counts[4] = now
    if state == 0:
        spans[s, 3] = 0
    return found


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _lose(row, now, dumped, spans, latches, counts, gap_ends, events, found):
    """Samples are missing before row ``row``: nothing is known any more; returns the number of events so far."""
    found = _write(events, found, GAP, 0 if dumped else 1, row, counts[7], row, now, 0)
    counts[4] = -1
    counts[8] += 1
    while counts[6] < gap_ends.shape[0] and now >= gap_ends[counts[6]]:
        counts[6] += 1
    for s in range(spans.shape[0]):
        counts[5] += 1 if spans[s, 0] == 1 else 0
        spans[s, 0] = -1
        spans[s, 3] = 0
    latches[:] = -1
    return found


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _same(time, levels, unknown, i, ctrl, silence, gap_end, width):
    """Nothing happens on row i: no control line moved, no samples are missing before it."""
    moved = np.uint64(0)
    for w in range(len(width)):
        here, before = i * len(width) + w, (i - 1) * len(width) + w
        moved |= ((levels[here] ^ levels[before]) | (unknown[here] ^ unknown[before])) & ctrl[w]
    return moved == 0 and time[i] - time[i - 1] <= silence and time[i] < gap_end


@njit(cache=True, nogil=True, _nrt=False)
def scan(
    time, levels, unknown, start, base, gap_ends, t, spans, latches, ring, counts, memo, states, events, width
):  # fmt: skip
    """Find the ends of spans, the edges of latches and the gaps in rows start: of the arrays.

    time int64 (n,). levels, unknown uint64 (n x words,). spans int64 (strobes, 4): state (1, 0, -1 unknown), begin
    row, begin time, doubts. latches int64 (latches,): state. counts int64 (9,): 1 after the capture's first row, clock
    level, intervals, silence, last interval's begin, rejected spans, gap ends used, time of the last row, gaps found.
    memo, states: as ``_states`` has them. Rows are numbered from the capture's first: row i here is base + i. Row
    ``start`` is looked at whether something moved or not, which tells nothing twice. events int64 (m, 7): what, index,
    begin row, begin time, end row, end time, doubts.
    Returns (rows done, events written); rows done < rows given when events is full.
    """
    n, n_strobes, n_latches = time.shape[0], spans.shape[0], latches.shape[0]
    latch, clock, strobe = t.latch, t.clock, t.strobe
    found, room = 0, events.shape[0] - n_strobes - n_latches - 2
    i = start
    while i < n:
        fresh = counts[0] == 0
        silence = counts[3] if counts[3] > 0 else ENDLESS
        gap_end = gap_ends[counts[6]] if counts[6] < gap_ends.shape[0] else ENDLESS
        if i > start:
            while i < n and _same(time, levels, unknown, i, t.ctrl, silence, gap_end, width):
                i += 1
            counts[7] = time[i - 1]
        if i == n or found > room:
            break
        row, now = base + i, time[i]
        dumped = now >= gap_end and counts[6] < gap_ends.shape[0]
        lost = dumped or (not fresh and now - counts[7] > silence)
        if lost:
            found = _lose(row, now, dumped, spans, latches, counts, gap_ends, events, found)
        slot = _states(levels, unknown, i, t, memo, states, width)
        if clock[1] >= 0:
            level = states[slot, 0]
            if level == 1 and counts[1] == 0:
                if counts[4] >= 0:
                    _interval(ring, counts, now - counts[4], clock)
                counts[4] = now
            counts[1] = level
        for k in range(n_latches):
            state = states[slot, 1 + n_strobes + k]
            edge = (latches[k] == 0 and state == 1) if latch[k, 1] else (latches[k] == 1 and state == 0)
            if edge:
                found = _write(events, found, LATCH, k, row, now, row, now, 0)
            if state >= 0 or fresh or lost:
                latches[k] = state
        for s in range(n_strobes):
            state = states[slot, 1 + s]
            if state != spans[s, 0] or state == -1:
                found = _span(s, state, row, now, strobe, spans, ring, counts, clock, events, found)
        counts[0], counts[7] = 1, now
        i += 1
    return i, found
