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

from busledger.decoder.bus.columns_kernel import (
    BEGIN_ROW,
    BEGIN_TIME,
    CLOCK_BIT,
    CLOCK_LEVEL,
    CLOCK_WORD,
    COUNTS_BEGIN,
    DOUBTS,
    END_ROW,
    END_TIME,
    GAP_ENDS_USED,
    GAPS_FOUND,
    INTERVAL_BEGIN,
    INTERVALS,
    LAST_TIME,
    LATCH_AT_BEGIN,
    LATCH_WHEN,
    LEAST_SILENCE,
    REJECTED,
    SILENCE,
    SILENT_TIMES_16,
    SPAN_DOUBTS,
    SPAN_ROW,
    SPAN_TIME,
    STARTED,
    STATE,
    WHAT,
    WHEN_ACTIVE,
    WHICH,
)
from busledger.decoder.bus.expression_kernel import HALF, IN_ROW, SLOT_SHIFT, SPREAD, holds
from busledger.decoder.inner_kernel import inner

STROBE, LATCH, GAP = 0, 1, 2
UNSEEN, DOUBTED = 1, 2  # a span's begin was not seen; a line of its strobe was unknown
RING = 31
ENDLESS = np.int64(9223372036854775807)  # no difference of two stamps is more


@inner(_nrt=False, forceinline=True)
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
    if not known:
        memo[slot, 0] = 1
        for w in range(len(width)):
            memo[slot, 1 + 2 * w] = levels[i * len(width) + w] & t.ctrl[w]
            memo[slot, 2 + 2 * w] = unknown[i * len(width) + w] & t.ctrl[w]
        n_strobes, n_latches = t.strobe.shape[0], t.latch.shape[0]
        if t.clock[CLOCK_BIT] >= 0:
            bit = np.uint64(1) << np.uint64(t.clock[CLOCK_BIT])
            level = 1 if levels[i * len(width) + t.clock[CLOCK_WORD]] & bit else 0
            states[slot, 0] = -1 if unknown[i * len(width) + t.clock[CLOCK_WORD]] & bit else level
        for s in range(n_strobes):
            states[slot, 1 + s] = holds(
                t.strobe[s, WHEN_ACTIVE], levels, unknown, i * len(width), IN_ROW, t.expr, t.term, t.lit
            )
        for k in range(n_latches):
            state = holds(t.latch[k, LATCH_WHEN], levels, unknown, i * len(width), IN_ROW, t.expr, t.term, t.lit)
            states[slot, 1 + n_strobes + k] = state
    return slot


@inner(_nrt=False)
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


@inner(_nrt=False, forceinline=True)
def _interval(ring, counts, interval, clock):
    """Put a clock (or strobe) interval into the ring; counts[SILENCE] = silence in ticks that means missing samples."""
    seen = counts[INTERVALS]
    place = seen % RING
    ring[place] = interval
    counts[INTERVALS] = seen + 1
    if seen == 7 or place == RING - 1:
        median = _median(ring, min(seen + 1, RING))
        counts[SILENCE] = max(median * clock[SILENT_TIMES_16] // 16, clock[LEAST_SILENCE])


@inner(_nrt=False, forceinline=True)
def _write(events, found, what, which, begin_row, begin, row, now, doubts):
    """One row of ``events``; returns how many there are now."""
    events[found, WHAT], events[found, WHICH] = what, which
    events[found, BEGIN_ROW], events[found, BEGIN_TIME] = begin_row, begin
    events[found, END_ROW], events[found, END_TIME], events[found, DOUBTS] = row, now, doubts
    return found + 1


@inner(_nrt=False, forceinline=True)
def _span(s, state, row, now, strobe, spans, ring, counts, clock, events, found):
    """Strobe s changes to ``state`` at row ``row``; returns the number of events so far."""
    before = spans[s, STATE]
    if state == -1:
        spans[s, SPAN_DOUBTS] |= DOUBTED
        return found
    at_begin = strobe[s, COUNTS_BEGIN] == 1
    if state == 1:
        spans[s, STATE], spans[s, SPAN_ROW], spans[s, SPAN_TIME] = 1, row, now
        spans[s, SPAN_DOUBTS] = (spans[s, SPAN_DOUBTS] & DOUBTED) | (UNSEEN if before == -1 else 0)
    else:
        spans[s, STATE] = 0
    if (at_begin and state == 1 and before == 0) or (not at_begin and state == 0 and before == 1):
        found = _write(
            events, found, STROBE, s, spans[s, SPAN_ROW], spans[s, SPAN_TIME], row, now, spans[s, SPAN_DOUBTS]
        )
        if clock[CLOCK_BIT] < 0:
            if counts[INTERVAL_BEGIN] >= 0:
                _interval(ring, counts, now - counts[INTERVAL_BEGIN], clock)
            counts[INTERVAL_BEGIN] = now
    if state == 0:
        spans[s, SPAN_DOUBTS] = 0
    return found


@inner(_nrt=False, forceinline=True)
def _lose(row, now, dumped, spans, latches, counts, gap_ends, events, found):
    """Samples are missing before row ``row``: nothing is known any more; returns the number of events so far."""
    found = _write(events, found, GAP, 0 if dumped else 1, row, counts[LAST_TIME], row, now, 0)
    counts[INTERVAL_BEGIN] = -1
    counts[GAPS_FOUND] += 1
    while counts[GAP_ENDS_USED] < gap_ends.shape[0] and now >= gap_ends[counts[GAP_ENDS_USED]]:
        counts[GAP_ENDS_USED] += 1
    for s in range(spans.shape[0]):
        counts[REJECTED] += 1 if spans[s, STATE] == 1 else 0
        spans[s, STATE] = -1
        spans[s, SPAN_DOUBTS] = 0
    for k in range(latches.shape[0]):
        latches[k] = -1
    return found


@inner(_nrt=False, forceinline=True)
def _same(time, levels, unknown, i, ctrl, silence, gap_end, width):
    """Nothing happens on row i: no control line moved, no samples are missing before it."""
    moved = np.uint64(0)
    for w in range(len(width)):
        here, before = i * len(width) + w, (i - 1) * len(width) + w
        moved |= ((levels[here] ^ levels[before]) | (unknown[here] ^ unknown[before])) & ctrl[w]
    return moved == 0 and time[i] - time[i - 1] <= silence and time[i] < gap_end


@inner(_nrt=False, forceinline=True)
def _next_moved(time, levels, unknown, i, ctrl, silence, gap_end, width):
    """The first row from i on, which is not the first, on which something happens: as ``_same`` has it, for one word of
    lines what the row before showed is kept in registers."""
    n = time.shape[0]
    if len(width) == 1:
        lines, then = ctrl[0], time[i - 1]
        was, gone = levels[i - 1] & lines, unknown[i - 1] & lines
        while i < n:
            now = time[i]
            moved = ((levels[i] & lines) ^ was) | ((unknown[i] & lines) ^ gone)
            if moved != 0 or now - then > silence or now >= gap_end:
                break
            then = now
            i += 1
        return i
    while i < n and _same(time, levels, unknown, i, ctrl, silence, gap_end, width):
        i += 1
    return i


@njit(cache=True, nogil=True, _nrt=False)
def scan(rows, start, base, gap_ends, t, spans, latches, ring, counts, known, events, width):
    """Find the ends of spans, the edges of latches and the gaps in rows start: of the arrays.

    rows: ``Levels``. spans int64 (strobes, 4), counts int64 (9,), events int64 (m, 7): columns as ``columns_kernel``
    names them. latches int64 (latches,): state. known: ``Memo``, as ``_states`` has it. Rows are numbered from the
    capture's first: row i here is base + i. Row ``start`` is looked at whether something moved or not, which tells
    nothing twice.
    Returns (rows done, events written); rows done < rows given when events is full.
    """
    time, levels, unknown = rows
    memo, states = known
    n, n_strobes, n_latches = time.shape[0], spans.shape[0], latches.shape[0]
    latch, clock, strobe = t.latch, t.clock, t.strobe
    found, room = 0, events.shape[0] - n_strobes - n_latches - 2
    i = start
    while i < n:
        fresh = counts[STARTED] == 0
        silence = counts[SILENCE] if counts[SILENCE] > 0 else ENDLESS
        gap_end = gap_ends[counts[GAP_ENDS_USED]] if counts[GAP_ENDS_USED] < gap_ends.shape[0] else ENDLESS
        if i > start:
            i = _next_moved(time, levels, unknown, i, t.ctrl, silence, gap_end, width)
            counts[LAST_TIME] = time[i - 1]
        if i == n or found > room:
            break
        row, now = base + i, time[i]
        dumped = now >= gap_end and counts[GAP_ENDS_USED] < gap_ends.shape[0]
        lost = dumped or (not fresh and now - counts[LAST_TIME] > silence)
        if lost:
            found = _lose(row, now, dumped, spans, latches, counts, gap_ends, events, found)
        slot = _states(levels, unknown, i, t, memo, states, width)
        if clock[CLOCK_BIT] >= 0:
            level = states[slot, 0]
            if level == 1 and counts[CLOCK_LEVEL] == 0:
                if counts[INTERVAL_BEGIN] >= 0:
                    _interval(ring, counts, now - counts[INTERVAL_BEGIN], clock)
                counts[INTERVAL_BEGIN] = now
            counts[CLOCK_LEVEL] = level
        for k in range(n_latches):
            state = states[slot, 1 + n_strobes + k]
            edge = (latches[k] == 0 and state == 1) if latch[k, LATCH_AT_BEGIN] else (latches[k] == 1 and state == 0)
            if edge:
                found = _write(events, found, LATCH, k, row, now, row, now, 0)
            if state >= 0 or fresh or lost:
                latches[k] = state
        for s in range(n_strobes):
            state = states[slot, 1 + s]
            if state != spans[s, STATE] or state == -1:
                found = _span(s, state, row, now, strobe, spans, ring, counts, clock, events, found)
        counts[STARTED], counts[LAST_TIME] = 1, now
        i += 1
    return i, found
