# mypy: ignore-errors
"""Second pass: what each span was that the first pass found.

Arrays are handed to small functions a dozen times a cycle; counting references to them would take most
of the time. These functions allocate nothing, so they are compiled without that count and inlined.

Works on ``Tables`` (``tables.py``), keeps its state in arrays between blocks, raises nothing and knows
no names. Conditions have three values: 1 holds, 0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

_UNCOUNTED = {"_nrt": False}
_INLINED = {"_nrt": False, "inline": "always"}

NEVER = -2
BEGIN, MIDDLE, END, ANYHIGH, ANYLOW, CHANGED, PREV, FIRST_LATCH = 0, 1, 2, 3, 4, 5, 6, 8
UNSETTLED, UNKNOWN, PARTIAL, AFTER_GAP, SHORT_STROBE, WAIT = 1, 2, 4, 8, 16, 32  # as columns.Flag
LATCH, GAP = 1, 2
UNSEEN, DOUBTED = 1, 2


@njit(cache=True, nogil=True, **_INLINED)
def _plane_holds(number, levels, unknown, expr, term, lit):
    """Expression ``number`` on the planes of one span: 1, 0 or -1."""
    if number < 0:
        return 1 if number == -1 else 0
    doubt = False
    for n in range(expr[number], expr[number + 1]):
        value = 1
        for k in range(term[n], term[n + 1]):
            plane, word, mask = lit[k, 0], lit[k, 1], lit[k, 2]
            open_bits = unknown[plane, word] & mask
            if (levels[plane, word] ^ lit[k, 3]) & mask & ~open_bits:
                value = 0
                break
            if open_bits:
                value = -1
        if value == 1:
            return 1
        if value == -1:
            doubt = True
    return -1 if doubt else 0


@njit(cache=True, nogil=True, **_UNCOUNTED)
def _settle(time, levels, unknown, row, floor, at, low, high, plane, lev, unk, mov):
    """Levels at time ``at`` near row ``row`` into plane ``plane``; bits that moved strictly inside (low, high)."""
    n, words = levels.shape
    i = row
    while i > floor and time[i] > at:
        i -= 1
    while i + 1 < n and time[i + 1] <= at:
        i += 1
    for w in range(words):
        lev[plane, w], unk[plane, w], mov[plane, w] = levels[i, w], unknown[i, w], 0
    if low >= high:
        return
    i = row
    while i > floor and time[i] > low:
        i -= 1
    while i + 1 < n and time[i + 1] < high:
        i += 1
        if time[i] > low and i > floor:
            for w in range(words):
                mov[plane, w] |= (levels[i, w] ^ levels[i - 1, w]) | (unknown[i, w] ^ unknown[i - 1, w])


@njit(cache=True, nogil=True, **_INLINED)
def _inside(time, levels, unknown, begin_row, end_row, floor, low, high, lev, unk):
    """Planes ANYHIGH, ANYLOW and CHANGED over the time between low and high, the level at low included."""
    words = levels.shape[1]
    i = begin_row
    while i > floor and time[i] > low:
        i -= 1
    while i < end_row and time[i + 1] <= low:
        i += 1
    for w in range(words):
        lev[ANYHIGH, w], lev[ANYLOW, w], lev[CHANGED, w] = levels[i, w], ~levels[i, w] & ~unknown[i, w], 0
        unk[ANYHIGH, w], unk[CHANGED, w] = unknown[i, w], 0
    while i < end_row and time[i + 1] < high:
        i += 1
        for w in range(words):
            lev[ANYHIGH, w] |= levels[i, w]
            lev[ANYLOW, w] |= ~levels[i, w] & ~unknown[i, w]
            unk[ANYHIGH, w] |= unknown[i, w]
            lev[CHANGED, w] |= (levels[i, w] ^ levels[i - 1, w]) | (unknown[i, w] ^ unknown[i - 1, w])
    for w in range(words):
        unk[ANYLOW, w] = unk[ANYHIGH, w] & ~lev[ANYLOW, w]
        unk[ANYHIGH, w] &= ~lev[ANYHIGH, w]


@njit(cache=True, nogil=True, **_INLINED)
def _gather(source, planes, piece_start, piece):
    """Bits of ``planes`` (levels, unknown or moved) that source ``source`` names, at their places."""
    value = np.uint64(0)
    for p in range(piece_start[source], piece_start[source + 1]):
        value |= ((planes[piece[p, 0], piece[p, 1]] >> piece[p, 2]) << piece[p, 3]) & piece[p, 4]
    return value


@njit(cache=True, nogil=True, **_INLINED)
def _gather_row(source, row, start, piece, first):
    """As ``_gather`` from one row of words; columns of ``piece`` from ``first`` on are word, right, left, mask."""
    value = np.uint64(0)
    for p in range(start[source], start[source + 1]):
        value |= ((row[piece[p, first]] >> piece[p, first + 1]) << piece[p, first + 2]) & piece[p, first + 3]
    return value


@njit(cache=True, nogil=True, **_INLINED)
def _points(time, levels, unknown, event, base, floor, strobe, look, lev, unk, mov):
    """Fill the planes of the span that ``event`` ends, a row of ``scan``'s events."""
    begin_row, end_row = max(event[2] - base, floor), event[4] - base
    begin, end = event[3], event[5]
    inset = look[1]
    middle = begin if strobe[1] else begin + min((end - begin) // 2, look[2])
    at = min(begin + strobe[3], max(middle, begin - 1))
    _settle(time, levels, unknown, begin_row, floor, at, begin + strobe[4], begin + strobe[5], BEGIN, lev, unk, mov)
    if strobe[1]:
        for w in range(levels.shape[1]):
            for plane in (MIDDLE, END):
                lev[plane, w], unk[plane, w], mov[plane, w] = lev[BEGIN, w], unk[BEGIN, w], mov[BEGIN, w]
    else:
        _settle(time, levels, unknown, begin_row, floor, middle, 0, 0, MIDDLE, lev, unk, mov)
        at = end + strobe[6]
        _settle(time, levels, unknown, end_row, floor, at, end + strobe[7], end + strobe[8], END, lev, unk, mov)
    low, high = begin + inset, end - inset
    if low > middle or high < middle:
        low, high = middle, middle
    _inside(time, levels, unknown, begin_row, end_row, floor, low, high, lev, unk)


@njit(cache=True, nogil=True, **_INLINED)
def _match(s, lev, unk, rule, source, expr, term, lit, piece_start, piece):
    """(rule, 1 or -1) of strobe s; where several may fit for want of a level, a write is taken; (-1, 0) none."""
    chosen, sure = -1, 0
    for r in range(rule.shape[0]):
        if rule[r, 0] != s:
            continue
        holds = _plane_holds(rule[r, 1], lev, unk, expr, term, lit)
        mask = np.uint64(rule[r, 9])
        if holds != 0 and mask != 0 and rule[r, 6] >= 0:
            address = rule[r, 6]
            open_bits = (_gather(address, unk, piece_start, piece) | source[address, 2]) & mask
            value = (_gather(address, lev, piece_start, piece) ^ source[address, 0]) | source[address, 1]
            if (value ^ np.uint64(rule[r, 8])) & mask & ~open_bits:
                holds = 0
            elif open_bits:
                holds = -1
        if holds == 0:
            continue
        if chosen < 0:
            chosen, sure = r, holds
        elif rule[r, 5]:
            chosen = r
        if holds == 1:
            break
    return chosen, sure


@njit(cache=True, nogil=True, **_INLINED)
def _lanes(r, all_bits, lev, unk, lane_start, lane, expr, term, lit):
    """(byte lanes in use, 1 or -1 when one of them is in doubt)."""
    lanes, sure = np.uint64(0), 1
    for n in range(lane_start[r], lane_start[r + 1]):
        state = _plane_holds(lane[n, 1], lev, unk, expr, term, lit)
        if state != 0:
            lanes |= np.uint64(1) << np.uint64(lane[n, 0])
        if state == -1:
            sure = -1
    if lane_start[r] == lane_start[r + 1]:
        for n in range(4):
            if (all_bits >> np.uint64(8 * n)) & np.uint64(255):
                lanes |= np.uint64(1) << np.uint64(n)
    return lanes, sure


@njit(cache=True, nogil=True, **_INLINED)
def _read(number, lev, unk, mov, source, piece_start, piece, steady_start, steady):
    """(levels, moved, lost, missing) of source ``number``, each as bits at their places."""
    moved = _gather(number, mov, piece_start, piece) | _gather_row(number, lev[CHANGED], steady_start, steady, 0)
    lost = _gather(number, unk, piece_start, piece) & ~moved
    value = (_gather(number, lev, piece_start, piece) ^ source[number, 0]) | source[number, 1]
    return value, moved, lost, source[number, 2]


@njit(cache=True, nogil=True, **_INLINED)
def _doubts(moved, lost, missing):
    """Flags for bits that moved, are unknown, or are not wired."""
    return (UNSETTLED if moved else 0) | (UNKNOWN if lost else 0) | (PARTIAL if missing else 0)


@njit(cache=True, nogil=True, **_INLINED)
def _cycle(k, r, sure, lev, unk, mov, kept, t, out_address, out_data, out_kept, out_width):
    """Columns that rule r reads from the planes, into row k; returns its flags."""
    rule, source, piece_start, piece = t.rule, t.source, t.piece_start, t.piece
    flags = 0 if sure == 1 else UNKNOWN
    address, data = rule[r, 6], rule[r, 7]
    out_address[k, 0], out_address[k, 1], out_data[k, 0], out_data[k, 1] = 0, 0, 0, 0
    out_kept[k], out_width[k] = 0, 0
    if address >= 0:
        value, moved, lost, missing = _read(
            address, lev, unk, mov, source, piece_start, piece, t.steady_start, t.steady
        )
        flags |= _doubts(moved, lost, missing)
        out_address[k, 1] = moved | lost | missing
        out_address[k, 0] = value & ~(moved | lost | missing)
    if data < 0:
        return flags
    lanes, certain = _lanes(r, source[data, 3], lev, unk, t.lane_start, t.lane, t.expr, t.term, t.lit)
    if certain == -1:
        flags |= UNKNOWN
    used = np.uint64(0)
    for n in range(4):
        if (lanes >> np.uint64(n)) & np.uint64(1):
            used |= np.uint64(255) << np.uint64(8 * n)
    used &= source[data, 3]
    value, moved, lost, missing = _read(data, lev, unk, mov, source, piece_start, piece, t.steady_start, t.steady)
    flags |= _doubts(moved & used, lost & used, missing & used)
    known = used & ~(moved | lost | missing)
    if sure != 1 or certain != 1:
        known = np.uint64(0)
    out_data[k, 0] = value & known
    out_data[k, 1] = ~known & np.uint64(0xFFFFFFFF)
    out_width[k] = lanes
    out_kept[k] = ((_gather_row(data, kept, piece_start, piece, 1) ^ source[data, 0]) | source[data, 1]) & used
    return flags


@njit(cache=True, nogil=True, **_INLINED)
def _bus_at(time, levels, row, floor, at, bus):
    """The levels of all lines at time ``at``, near row ``row``."""
    i = row
    while i > floor and time[i] > at:
        i -= 1
    while i + 1 < levels.shape[0] and time[i + 1] <= at:
        i += 1
    for w in range(levels.shape[1]):
        bus[w] = levels[i, w]


@njit(cache=True, nogil=True, **_UNCOUNTED)
def resolve(
    time, levels, unknown, base, final, events, t,
    lev, unk, mov, prev, bus, marks, waits,
    out_when, out_what, out_address, out_data, out_kept, out_flags, out_width,
):  # fmt: skip
    """Tell what each event of ``events`` was, in order, as far as the rows reach.

    lev, unk, mov uint64 (planes, words): work space whose latch planes carry over. prev uint64
    (strobes, 2, words): the end of each strobe's previous span. bus uint64 (words,): the bus after the
    last span. marks int64 (4,): bus known, after a gap, first row after it, rejected. waits int64 (strobes,).
    out_when int64 (m, 2): row, time. out_what uint8 (m, 2): kind, rule. out_address, out_data uint32 (m, 2):
    levels, unknown. Returns (events done, cycles written).
    """
    n = levels.shape[0]
    strobe, latch, rule, look = t.strobe, t.latch, t.rule, t.look
    done, k = 0, 0
    for e in range(events.shape[0]):
        what, s, end = events[e, 0], events[e, 1], events[e, 5]
        if not final and (n == 0 or time[n - 1] <= end + look[0]):
            break
        done += 1
        floor, row = max(marks[2] - base, 0), events[e, 4] - base
        if what == GAP:
            marks[0], marks[1], marks[2] = 0, 1, events[e, 4]
            lev[FIRST_LATCH:, :], unk[FIRST_LATCH:, :], mov[FIRST_LATCH:, :] = 0, ~np.uint64(0), 0
            prev[:, 0, :], prev[:, 1, :] = 0, ~np.uint64(0)
            continue
        if what == LATCH:
            low, high = end + latch[s, 3], end + latch[s, 4]
            _settle(time, levels, unknown, row, floor, end + latch[s, 2], low, high, FIRST_LATCH + s, lev, unk, mov)
            continue
        if events[e, 4] - events[e, 2] > look[3]:
            marks[3] += 1
            continue
        _points(time, levels, unknown, events[e], base, floor, strobe[s], look, lev, unk, mov)
        for w in range(bus.shape[0]):
            lev[PREV, w], unk[PREV, w] = prev[s, 0, w], prev[s, 1, w]
        r, sure = _match(s, lev, unk, rule, t.source, t.expr, t.term, t.lit, t.piece_start, t.piece)
        if r < 0 or rule[r, 3] == 3:
            marks[3] += 1
        elif rule[r, 3] == 2:
            waits[s] = 1
        elif rule[r, 3] == 0:
            if rule[r, 10] == 1 or not marks[0]:
                _bus_at(time, levels, max(events[e, 2] - base, floor), floor, events[e, 3] - 1, bus)
            flags = _cycle(k, r, sure, lev, unk, mov, bus, t, out_address, out_data, out_kept, out_width)
            flags |= (UNKNOWN if events[e, 6] & DOUBTED else 0) | (AFTER_GAP if marks[1] else 0)
            if not events[e, 6] & UNSEEN and strobe[s, 1] == 0 and end - events[e, 3] < strobe[s, 2]:
                flags |= SHORT_STROBE
            if waits[s] or (rule[r, 2] != NEVER and _plane_holds(rule[r, 2], lev, unk, t.expr, t.term, t.lit) == 1):
                flags |= WAIT
            out_when[k, 0], out_when[k, 1] = events[e, 4], end
            out_what[k, 0], out_what[k, 1] = rule[r, 4], r
            out_flags[k] = flags
            k += 1
            marks[1], waits[s] = 0, 0
        for w in range(bus.shape[0]):
            prev[s, 0, w], prev[s, 1, w] = lev[END, w], unk[END, w]
        _bus_at(time, levels, row, floor, end + max(strobe[s, 8], 0), bus)
        marks[0] = 1
    return done, k
