"""Second pass: what each span was that the first pass found.

Points of a span that nothing of its strobe asks for are left out; what the rules say is told by ``rule_kernel``.

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
    ACTION,
    AFTER_A_GAP,
    AHEAD,
    BEGIN_AT,
    BEGIN_HIGH,
    BEGIN_LOW,
    BEGIN_ROOM_HIGH,
    BEGIN_ROOM_LOW,
    BEGIN_ROW,
    BEGIN_TIME,
    BUS_KNOWN,
    COUNTS_BEGIN,
    DOUBTS,
    END_AT,
    END_HIGH,
    END_LOW,
    END_ROOM_HIGH,
    END_ROOM_LOW,
    END_ROW,
    END_TIME,
    FALSE_SAMPLE,
    FIRST_ROW,
    INSET,
    KEEPS_ENDS,
    KEPT,
    KIND,
    LATCH_AT,
    LATCH_HIGH,
    LATCH_LOW,
    LATCH_ROOM_HIGH,
    LATCH_ROOM_LOW,
    LONGEST_MIDDLE,
    MOST_ROWS_OF_A_SPAN,
    MOVED,
    PLANES_NEEDED,
    REFUSED,
    SHORTEST,
    WHAT,
    WHICH,
)
from busledger.decoder.bus.rule_kernel import CERTAIN, LANES, RULE, SURE, USED, WAITS, look_up, read_source
from busledger.decoder.inner_kernel import inner

BEGIN, MIDDLE, END, ANYHIGH, ANYLOW, CHANGED, PREV, FIRST_LATCH = 0, 1, 2, 3, 4, 5, 6, 8
NEEDS_BEGIN, NEEDS_MIDDLE, NEEDS_END, NEEDS_INSIDE, NEEDS_PREV = 1, 2, 4, 8 + 16 + 32, 64  # bits of planes
UNSETTLED, UNKNOWN, PARTIAL, AFTER_GAP, SHORT_STROBE, WAIT = 1, 2, 4, 8, 16, 32  # as columns.Flag
LATCH, GAP = 1, 2
UNSEEN, DOUBTED = 1, 2
SKIP, STRETCH, REJECT = 1, 2, 3
ENDLESS = 1 << 40  # as windows has it


@inner(_nrt=False, forceinline=True)
def _row_at(time, last, floor, i, at):
    """The last row up to time ``at``, searched from row i on; ``floor`` where none is, none after ``last``."""
    while i > floor and time[i] > at:
        i -= 1
    while i < last and time[i + 1] <= at:
        i += 1
    return i


@inner(_nrt=False)
def _undo_false_sample(time, levels, unknown, row, floor, low, high, spot, words, lev):
    """Turn back, in the plane at ``spot``, lines that show another level in ``row`` alone.

    The row lasts one sample; the row before and the one after agree, and so does every other row that has any time
    strictly inside (low, high).
    """
    last = time.shape[0] - 1
    for w in range(words):
        here, before, after = row * words + w, (row - 1) * words + w, (row + 1) * words + w
        false = (levels[here] ^ levels[before]) & (levels[here] ^ levels[after])
        false &= ~(unknown[here] | unknown[before] | unknown[after])
        if not false:
            continue
        j = row - 1
        while j >= floor and time[j + 1] > low:
            false &= ~((levels[j * words + w] ^ levels[before]) | unknown[j * words + w])
            j -= 1
        j = row + 1
        while j <= last and time[j] < high:
            false &= ~((levels[j * words + w] ^ levels[before]) | unknown[j * words + w])
            j += 1
        lev[spot + w] ^= false


@inner(_nrt=False, forceinline=True)
def _settle(rows, i, floor, at, low, high, room_low, room_high, false, plane, planes, width):
    """Levels at time ``at`` into plane ``plane``, and bits that moved strictly inside (low, high).

    A level of one sample, ``false`` ticks at most, is not believed where the line is steady in the rest of the room.

    Searched from row i on; returns the row of the levels.
    """
    time, levels, unknown = rows
    lev, unk, mov = planes
    last = time.shape[0] - 1
    row = _row_at(time, last, floor, i, at)
    for w in range(len(width)):
        spot, here = plane * len(width) + w, row * len(width) + w
        lev[spot], unk[spot], mov[spot] = levels[here], unknown[here], 0
    near = room_low < room_high and floor < row < last and time[row] < room_high + false
    if near and time[row + 1] > room_low - false and time[row + 1] - time[row] <= false:
        _undo_false_sample(time, levels, unknown, row, floor, room_low, room_high, plane * len(width), len(width), lev)
    if low < high:
        first = _row_at(time, last, floor, row, low)
        for w in range(len(width)):
            moved = np.uint64(0)
            j = first + 1
            while j <= last and time[j] < high:
                here, there = j * len(width) + w, (j - 1) * len(width) + w
                moved |= (levels[here] ^ levels[there]) | (unknown[here] ^ unknown[there])
                j += 1
            mov[plane * len(width) + w] = moved
    return row


@inner(_nrt=False, forceinline=True)
def _inside(time, levels, unknown, i, end_row, floor, after, until, lev, unk, width):
    """Planes ANYHIGH, ANYLOW and CHANGED over the time after to until, the level at ``after`` included."""
    first = _row_at(time, end_row, floor, i, after)
    for w in range(len(width)):
        was, was_open = levels[first * len(width) + w], unknown[first * len(width) + w]
        ones, zeros, opens, changed = was, ~was & ~was_open, was_open, np.uint64(0)
        j = first + 1
        while j <= end_row and time[j] < until:
            now, now_open = levels[j * len(width) + w], unknown[j * len(width) + w]
            ones |= now
            zeros |= ~now & ~now_open
            opens |= now_open
            changed |= (now ^ was) | (now_open ^ was_open)
            was, was_open = now, now_open
            j += 1
        high, low, moved = ANYHIGH * len(width) + w, ANYLOW * len(width) + w, CHANGED * len(width) + w
        lev[high], unk[high] = ones, opens & ~ones
        lev[low], unk[low] = zeros, opens & ~zeros
        lev[moved], unk[moved] = changed, 0


@inner(_nrt=False, forceinline=True)
def _points(rows, event, base, floor, strobe, look, planes, width):
    """Fill the planes that strobe ``strobe`` needs of the span that ``event`` ends, a row of ``scan``'s events.

    Returns the row of the levels at its end, or one where a search for them can start.
    """
    time, levels, unknown = rows
    lev, unk, mov = planes
    begin_row, end_row = max(event[BEGIN_ROW] - base, floor), event[END_ROW] - base
    begin, end, needs = event[BEGIN_TIME], event[END_TIME], strobe[PLANES_NEEDED]
    counts_begin = strobe[COUNTS_BEGIN] == 1
    middle = begin if counts_begin else begin + min((end - begin) // 2, look[LONGEST_MIDDLE])
    row = begin_row
    if needs & NEEDS_BEGIN:
        at = min(begin + strobe[BEGIN_AT], max(middle, begin - 1))
        low, high = begin + strobe[BEGIN_LOW], begin + strobe[BEGIN_HIGH]
        room_low = begin + strobe[BEGIN_ROOM_LOW]
        # What is held through the strobe may go when it ends.
        room_high = begin + strobe[BEGIN_ROOM_HIGH]
        if not counts_begin:
            room_high = begin + min(strobe[BEGIN_ROOM_HIGH], end - look[INSET] - begin)
        if counts_begin and strobe[BEGIN_ROOM_HIGH] >= ENDLESS:
            room_high = room_low
        row = _settle(rows, row, floor, at, low, high, room_low, room_high, look[FALSE_SAMPLE], BEGIN, planes, width)
    if counts_begin:
        for w in range(len(width)):
            for plane in (MIDDLE, END):
                spot, first = plane * len(width) + w, BEGIN * len(width) + w
                lev[spot], unk[spot], mov[spot] = lev[first], unk[first], mov[first]
    elif needs & NEEDS_MIDDLE:
        row = _settle(rows, row, floor, middle, 0, 0, 0, 0, 0, MIDDLE, planes, width)
    if needs & NEEDS_INSIDE:
        low, high = begin + look[INSET], end - look[INSET]
        if low > middle or high < middle:
            low, high = middle, middle
        _inside(time, levels, unknown, begin_row, end_row, floor, low, high, lev, unk, width)
    row = end_row
    if needs & NEEDS_END and not counts_begin:
        low, high = end + strobe[END_LOW], end + strobe[END_HIGH]
        room_low, room_high = end + strobe[END_ROOM_LOW], end + min(strobe[END_ROOM_HIGH], look[AHEAD])
        at = end + strobe[END_AT]
        row = _settle(rows, row, floor, at, low, high, room_low, room_high, look[FALSE_SAMPLE], END, planes, width)
    return row


@inner(_nrt=False, forceinline=True)
def _doubts(moved, lost, missing):
    """Flags for bits that moved, are unknown, or are not wired."""
    return (UNSETTLED if moved else 0) | (UNKNOWN if lost else 0) | (PARTIAL if missing else 0)


@inner(_nrt=False, forceinline=True)
def _cycle(k, answer, lev, unk, mov, bus, t, out):
    """Columns that the rule of ``answer`` reads from the planes, into row k; returns its flags."""
    address, data = t.rule[answer[RULE], 6], t.rule[answer[RULE], 7]
    flags = 0 if answer[SURE] == 1 else UNKNOWN
    if address >= 0:
        value, moved, lost, missing = read_source(address, lev, unk, mov, t)
        flags |= _doubts(moved, lost, missing)
        out.address_unknown[k] = moved | lost | missing
        out.address[k] = value & ~(moved | lost | missing)
    if data < 0:
        return flags
    if answer[CERTAIN] == -1:
        flags |= UNKNOWN
    used = np.uint64(answer[USED])
    value, moved, lost, missing = read_source(data, lev, unk, mov, t)
    flags |= _doubts(moved & used, lost & used, missing & used)
    known = used & ~(moved | lost | missing)
    if answer[SURE] != 1 or answer[CERTAIN] != 1:
        known = np.uint64(0)
    out.data[k] = value & known
    out.data_unknown[k] = ~known & np.uint64(0xFFFFFFFF)
    out.width[k] = answer[LANES]
    value = np.uint64(0)
    for p in range(t.piece_start[data], t.piece_start[data + 1]):
        value |= ((bus[t.piece[p, 1]] >> t.piece[p, 2]) << t.piece[p, 3]) & t.piece[p, 4]
    out.kept[k] = ((value ^ t.source[data, 0]) | t.source[data, 1]) & used
    return flags


@inner(_nrt=False, forceinline=True)
def _bus_at(time, levels, i, floor, at, bus, width):
    """The levels of all lines at time ``at``, searched from row i on."""
    row = _row_at(time, time.shape[0] - 1, floor, i, at)
    for w in range(len(width)):
        bus[w] = levels[row * len(width) + w]


@inner(_nrt=False, forceinline=True)
def _lose(row, lev, unk, mov, prev, marks, width):
    """Samples are missing before row ``row``: what was latched and kept is not known any more."""
    marks[BUS_KNOWN], marks[AFTER_A_GAP], marks[FIRST_ROW] = 0, 1, row
    first = FIRST_LATCH * len(width)
    for spot in range(first, lev.shape[0]):
        lev[spot], unk[spot], mov[spot] = 0, ~np.uint64(0), 0
    for s in range(prev.shape[0]):
        for w in range(len(width)):
            prev[s, 0, w], prev[s, 1, w] = 0, ~np.uint64(0)


@njit(cache=True, nogil=True, _nrt=False)
def resolve(rows, base, final, events, t, planes, carried, known, out, width):
    """Tell what each event of ``events`` was, in order, as far as the rows reach.

    rows: ``Levels``. planes: ``Planes``. carried: ``SpanState``. known: ``Memo``, as ``look_up`` has it. out:
    ``Columns`` of zeros, as long as ``events``.
    Returns (events done, cycles written).
    """
    time, levels, _ = rows
    lev, unk, mov = planes
    prev, bus, marks, waits, seen = carried
    memo, told = known
    n = time.shape[0]
    strobe, latch, rule, look = t.strobe, t.latch, t.rule, t.look
    done, k = 0, 0
    for e in range(events.shape[0]):
        what, s, end = events[e, WHAT], events[e, WHICH], events[e, END_TIME]
        if not final and (n == 0 or time[n - 1] <= end + look[AHEAD]):
            break
        done += 1
        floor, row = max(marks[FIRST_ROW] - base, 0), events[e, END_ROW] - base
        if what == GAP:
            _lose(events[e, END_ROW], lev, unk, mov, prev, marks, width)
            continue
        if what == LATCH:
            at, low, high = end + latch[s, LATCH_AT], end + latch[s, LATCH_LOW], end + latch[s, LATCH_HIGH]
            room_low = end + latch[s, LATCH_ROOM_LOW]
            room_high = end + min(latch[s, LATCH_ROOM_HIGH], look[AHEAD])
            _settle(
                rows, row, floor, at, low, high, room_low, room_high, look[FALSE_SAMPLE], FIRST_LATCH + s, planes, width
            )
            continue
        seen[s] += 1
        if events[e, END_ROW] - events[e, BEGIN_ROW] > look[MOST_ROWS_OF_A_SPAN]:
            marks[REFUSED] += 1
            continue
        row = _points(rows, events[e], base, floor, strobe[s], look, planes, width)
        if strobe[s, PLANES_NEEDED] & NEEDS_PREV:
            for w in range(len(width)):
                spot, last = PREV * len(width) + w, END * len(width) + w
                lev[spot], unk[spot] = prev[s, 0, w], prev[s, 1, w]
                prev[s, 0, w], prev[s, 1, w] = lev[last], unk[last]
        answer = told[look_up(s, lev, unk, mov, t, memo, told)]
        r = answer[RULE]
        action = rule[r, ACTION] if r >= 0 else REJECT
        if action == REJECT:
            marks[REFUSED] += 1
        elif action == STRETCH:
            waits[s] = 1
        elif action != SKIP:
            if rule[r, KEPT] == 1 or not marks[BUS_KNOWN]:
                _bus_at(
                    time, levels, max(events[e, BEGIN_ROW] - base, floor), floor, events[e, BEGIN_TIME] - 1, bus, width
                )
            flags = _cycle(k, answer, lev, unk, mov, bus, t, out)
            marks[MOVED] += flags & UNSETTLED
            flags |= (UNKNOWN if events[e, DOUBTS] & DOUBTED else 0) | (AFTER_GAP if marks[AFTER_A_GAP] else 0)
            if (
                not events[e, DOUBTS] & UNSEEN
                and strobe[s, COUNTS_BEGIN] == 0
                and end - events[e, BEGIN_TIME] < strobe[s, SHORTEST]
            ):
                flags |= SHORT_STROBE
            if waits[s] or answer[WAITS]:
                flags |= WAIT
            out.sample[k], out.time[k], out.kind[k], out.rule[k] = events[e, END_ROW], end, rule[r, KIND], r
            out.flags[k] = flags
            k += 1
            marks[AFTER_A_GAP], waits[s] = 0, 0
        if look[KEEPS_ENDS]:
            _bus_at(time, levels, row, floor, end + max(strobe[s, END_HIGH], 0), bus, width)
        marks[BUS_KNOWN] = 1
    return done, k
