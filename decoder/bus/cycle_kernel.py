"""Second pass: what each span was that the first pass found.

Works on ``Tables`` (``tables.py``), keeps its state in arrays between blocks, raises nothing and knows
no names. Conditions have three values: 1 holds, 0 does not, -1 unknown.
"""

import numpy as np
from numba import njit

NEVER = -2
BEGIN, MIDDLE, END, ANYHIGH, ANYLOW, CHANGED, PREV, FIRST_LATCH = 0, 1, 2, 3, 4, 5, 6, 7
UNSETTLED, UNKNOWN, PARTIAL, AFTER_GAP, SHORT_STROBE, WAIT = 1, 2, 4, 8, 16, 32
LATCH, GAP = 1, 2
UNSEEN, DOUBTED = 1, 2


@njit(cache=True, nogil=True)
def _plane_holds(expr, levels, unknown, t):
    """Expression ``expr`` on the planes of one span: 1, 0 or -1."""
    if expr < 0:
        return 1 if expr == -1 else 0
    doubt = False
    for term in range(t.expr_start[expr], t.expr_start[expr + 1]):
        value = 1
        for lit in range(t.term_start[term], t.term_start[term + 1]):
            plane, word = t.lit_plane[lit], t.lit_word[lit]
            open_bits = unknown[plane, word] & t.lit_mask[lit]
            if (levels[plane, word] ^ t.lit_want[lit]) & t.lit_mask[lit] & ~open_bits:
                value = 0
                break
            if open_bits:
                value = -1
        if value == 1:
            return 1
        if value == -1:
            doubt = True
    return -1 if doubt else 0


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def _gather(source, planes, t):
    """Bits of ``planes`` (levels, unknown or moved) that source ``source`` names, at their places."""
    value = np.uint64(0)
    for p in range(t.piece_start[source], t.piece_start[source + 1]):
        x = planes[t.piece_plane[p], t.piece_word[p]]
        shift = t.piece_shift[p]
        x = x >> np.uint64(shift) if shift >= 0 else x << np.uint64(-shift)
        value |= x & t.piece_mask[p]
    return value


@njit(cache=True, nogil=True)
def _gather_row(source, row, t):
    """As ``_gather``, from the levels of one moment, whatever point the source names."""
    value = np.uint64(0)
    for p in range(t.piece_start[source], t.piece_start[source + 1]):
        x = row[t.piece_word[p]]
        shift = t.piece_shift[p]
        x = x >> np.uint64(shift) if shift >= 0 else x << np.uint64(-shift)
        value |= x & t.piece_mask[p]
    return value


@njit(cache=True, nogil=True)
def _moved_inside(source, lev, t):
    """Bits of the source's steady pieces that moved inside the span."""
    value = np.uint64(0)
    for p in range(t.steady_start[source], t.steady_start[source + 1]):
        x = lev[CHANGED, t.steady_word[p]]
        shift = t.steady_shift[p]
        x = x >> np.uint64(shift) if shift >= 0 else x << np.uint64(-shift)
        value |= x & t.steady_mask[p]
    return value


@njit(cache=True, nogil=True)
def _points(e, base, floor, time, levels, unknown, events, t, lev, unk, mov):
    """Fill the planes of the span that event e ends."""
    s = events[e, 1]
    begin_row, end_row = max(events[e, 2] - base, floor), events[e, 4] - base
    begin, end = events[e, 3], events[e, 5]
    words = levels.shape[1]
    inset = t.look[1]
    if t.strobe_at_begin[s]:
        at = begin + t.begin_value[s]
        low, high = begin + t.begin_low[s], begin + t.begin_high[s]
        _settle(time, levels, unknown, begin_row, floor, at, low, high, BEGIN, lev, unk, mov)
        lev[MIDDLE, :], unk[MIDDLE, :], mov[MIDDLE, :] = lev[BEGIN, :], unk[BEGIN, :], mov[BEGIN, :]
        lev[END, :], unk[END, :], mov[END, :] = lev[BEGIN, :], unk[BEGIN, :], mov[BEGIN, :]
        middle = begin
    else:
        middle = begin + min((end - begin) // 2, t.look[2])
        at = min(begin + t.begin_value[s], max(middle, begin - 1))
        low, high = begin + t.begin_low[s], begin + t.begin_high[s]
        _settle(time, levels, unknown, begin_row, floor, at, low, high, BEGIN, lev, unk, mov)
        _settle(time, levels, unknown, begin_row, floor, middle, 0, 0, MIDDLE, lev, unk, mov)
        at = end + t.end_value[s]
        low, high = end + t.end_low[s], end + t.end_high[s]
        _settle(time, levels, unknown, end_row, floor, at, low, high, END, lev, unk, mov)
    low, high = begin + inset, end - inset
    if low > middle or high < middle:
        low, high = middle, middle
    _inside(time, levels, unknown, begin_row, end_row, floor, low, high, lev, unk)
    for w in range(words):
        mov[ANYHIGH, w], mov[ANYLOW, w], mov[CHANGED, w] = 0, 0, 0


@njit(cache=True, nogil=True)
def _match(s, lev, unk, t):
    """(rule, 1 or -1) of strobe s; where several may fit for want of a level, a write is taken; (-1, 0) none."""
    chosen, sure = -1, 0
    for r in range(t.rule_strobe.shape[0]):
        if t.rule_strobe[r] != s:
            continue
        holds = _plane_holds(t.rule_when[r], lev, unk, t)
        if holds != 0 and t.rule_mask[r] != 0 and t.rule_address[r] >= 0:
            source = t.rule_address[r]
            open_bits = (_gather(source, unk, t) | t.source_missing[source]) & np.uint64(t.rule_mask[r])
            value = _gather(source, lev, t) ^ t.source_invert[source] | t.source_const[source]
            if (value ^ np.uint64(t.rule_value[r])) & np.uint64(t.rule_mask[r]) & ~open_bits:
                holds = 0
            elif open_bits:
                holds = -1
        if holds == 0:
            continue
        if chosen < 0:
            chosen, sure = r, holds
        elif t.rule_writes[r]:
            chosen = r
        if holds == 1:
            break
    return chosen, sure


@njit(cache=True, nogil=True)
def _cycle(k, r, sure, lev, unk, mov, kept, t, out_address, out_data, out_kept, out_width):
    """Columns that rule r reads from the planes, into row k: pairs are (levels, unknown)."""
    flags = 0 if sure == 1 else UNKNOWN
    address, data = t.rule_address[r], t.rule_data[r]
    out_address[k, :], out_data[k, :], out_kept[k], out_width[k] = 0, 0, 0, 0
    if address >= 0:
        moved = _gather(address, mov, t) | _moved_inside(address, lev, t)
        lost = _gather(address, unk, t) & ~moved
        flags |= (UNSETTLED if moved else 0) | (UNKNOWN if lost else 0) | (PARTIAL if t.source_missing[address] else 0)
        bits = moved | lost | t.source_missing[address]
        out_address[k, 0] = ((_gather(address, lev, t) ^ t.source_invert[address]) | t.source_const[address]) & ~bits
        out_address[k, 1] = bits
    if data < 0:
        return flags
    lanes = np.uint64(0)
    for n in range(t.lane_start[r], t.lane_start[r + 1]):
        state = _plane_holds(t.lane_expr[n], lev, unk, t)
        if state != 0:
            lanes |= np.uint64(1) << np.uint64(t.lane_bit[n])
        if state == -1:
            flags |= UNKNOWN
    if t.lane_start[r] == t.lane_start[r + 1]:
        for n in range(4):
            if (t.source_all[data] >> np.uint64(8 * n)) & np.uint64(255):
                lanes |= np.uint64(1) << np.uint64(n)
    used = np.uint64(0)
    for n in range(4):
        if (lanes >> np.uint64(n)) & np.uint64(1):
            used |= np.uint64(255) << np.uint64(8 * n)
    used &= t.source_all[data]
    moved = (_gather(data, mov, t) | _moved_inside(data, lev, t)) & used
    lost = _gather(data, unk, t) & used & ~moved
    missing = t.source_missing[data] & used
    flags |= (UNSETTLED if moved else 0) | (UNKNOWN if lost else 0) | (PARTIAL if missing else 0)
    known = used & ~(moved | lost | missing)
    if sure != 1:
        known = np.uint64(0)
    out_data[k, 0] = ((_gather(data, lev, t) ^ t.source_invert[data]) | t.source_const[data]) & known
    out_data[k, 1] = ~known & np.uint64(0xFFFFFFFF)
    out_width[k] = lanes
    out_kept[k] = ((_gather_row(data, kept, t) ^ t.source_invert[data]) | t.source_const[data]) & used
    return flags


@njit(cache=True, nogil=True)
def _bus_at(time, levels, row, floor, at, bus):
    """The levels of all lines at time ``at``, near row ``row``."""
    i = row
    while i > floor and time[i] > at:
        i -= 1
    while i + 1 < levels.shape[0] and time[i + 1] <= at:
        i += 1
    for w in range(levels.shape[1]):
        bus[0, w] = levels[i, w]


@njit(cache=True, nogil=True)
def resolve(
    time, levels, unknown, base, final, events, n_events, t,
    lev, unk, mov, prev, bus, marks, waits,
    out_when, out_what, out_address, out_data, out_kept, out_flags, out_width,
):  # fmt: skip
    """Tell what each event of ``events`` was, in order, as far as the rows reach.

    lev, unk, mov uint64 (planes, words): work space whose latch planes carry over. prev uint64
    (strobes, 2, words): the end of each strobe's previous span. bus uint64 (1, words): the bus after the
    last span. marks int64 (4,): bus known, after a gap, first row after it, rejected. waits int64 (strobes,).
    out_when int64 (m, 2): row, time. out_what uint8 (m, 2): kind, rule. out_address, out_data uint32 (m, 2).
    Returns (events done, cycles written).
    """
    n = levels.shape[0]
    done, k = 0, 0
    for e in range(n_events):
        what, index, end = events[e, 0], events[e, 1], events[e, 5]
        if not final and (n == 0 or time[n - 1] <= end + t.look[0]):
            break
        done += 1
        floor = max(marks[2] - base, 0)
        if what == GAP:
            marks[0], marks[1], marks[2] = 0, 1, events[e, 4]
            lev[FIRST_LATCH:, :], unk[FIRST_LATCH:, :], mov[FIRST_LATCH:, :] = 0, ~np.uint64(0), 0
            prev[:, 0, :], prev[:, 1, :] = 0, ~np.uint64(0)
            continue
        row = events[e, 4] - base
        if what == LATCH:
            low, high = end + t.latch_low[index], end + t.latch_high[index]
            at = end + t.latch_value[index]
            _settle(time, levels, unknown, row, floor, at, low, high, FIRST_LATCH + index, lev, unk, mov)
            continue
        if events[e, 4] - events[e, 2] > t.look[3]:
            marks[3] += 1
            continue
        _points(e, base, floor, time, levels, unknown, events, t, lev, unk, mov)
        lev[PREV, :], unk[PREV, :], mov[PREV, :] = prev[index, 0], prev[index, 1], 0
        rule, sure = _match(index, lev, unk, t)
        if rule < 0 or t.rule_action[rule] == 3:
            marks[3] += 1
        elif t.rule_action[rule] == 2:
            waits[index] = 1
        elif t.rule_action[rule] == 0:
            if t.rule_kept[rule] == 1 or not marks[0]:
                _bus_at(time, levels, max(events[e, 2] - base, floor), floor, events[e, 3] - 1, bus)
            flags = _cycle(k, rule, sure, lev, unk, mov, bus[0], t, out_address, out_data, out_kept, out_width)
            doubts = events[e, 6]
            flags |= (UNKNOWN if doubts & DOUBTED else 0) | (AFTER_GAP if marks[1] else 0)
            if not doubts & UNSEEN and t.strobe_at_begin[index] == 0 and end - events[e, 3] < t.strobe_width_min[index]:
                flags |= SHORT_STROBE
            if waits[index] or (t.rule_wait[rule] != NEVER and _plane_holds(t.rule_wait[rule], lev, unk, t) == 1):
                flags |= WAIT
            out_when[k, 0], out_when[k, 1] = events[e, 4], end
            out_what[k, 0], out_what[k, 1] = t.rule_kind[rule], rule
            out_flags[k] = flags
            k += 1
            marks[1] = 0
            waits[index] = 0
        prev[index, 0], prev[index, 1] = lev[END], unk[END] | mov[END]
        _bus_at(time, levels, row, floor, end + max(t.end_high[index], 0), bus)
        marks[0] = 1
    return done, k
