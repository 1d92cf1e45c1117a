"""Bus drivers in each cycle: what their control pins ask for, and whether data comes through.

Pure functions of arrays; rows of levels and cycle windows as in ``windows.Joined``.
Times are ticks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import lowest_bit
from busledger.decoder.checks.span_kernel import all_quiet, still
from busledger.decoder.inner_kernel import inner

# What a cycle is to a buffer.
SERVED_READ, SERVED_WRITE, OTHER_READ, OTHER_WRITE, NEITHER = 0, 1, 2, 3, -1
# Columns of ``control``: direction word, bit, level toward the CPU (-1 no line); enable word, bit, active level.
P_DIR_WORD, P_DIR_BIT, P_TO_CPU, P_EN_WORD, P_EN_BIT, P_ACTIVE = range(6)
PIN_SIZE = 6
# Columns of ``tally``.
(
    C_READS, C_WRITES, C_ELSEWHERE_OF, C_READS_OFF, C_READS_AWAY, C_WRITES_OFF, C_WRITES_TOWARD,
    C_ELSEWHERE, C_OVERLAPS, C_LONGEST, C_TWO, C_FIRST, C_OVERLAP_FIRST, C_TWO_FIRST, C_AFTER_READ, C_TOWARD_AFTER_READ,
    C_OVERLAP_OF, C_TWO_OF, C_OTHERS_TOWARD,
) = range(19)  # fmt: skip
TALLY_SIZE = 19
BINS = 24
EARLY_BINS = 2


@inner(_nrt=False, forceinline=True)
def _level(levels, row, word, bit):
    return np.int64((levels[row, word] >> np.uint64(bit)) & np.uint64(1))


@inner(_nrt=False, forceinline=True)
def _known(unknown, row, word, bit):
    return (unknown[row, word] >> np.uint64(bit)) & np.uint64(1) == np.uint64(0)


@inner(_nrt=False, forceinline=True)
def _drive(levels, unknown, row, pin):
    """How a buffer stands in one row: 0 off, 1 toward the card, 2 toward the CPU, -1 unknown.

    Without a direction line it counts as pointing where it should (3); without an enable it is on.
    """
    if pin[P_ACTIVE] >= 0:
        if not _known(unknown, row, pin[P_EN_WORD], pin[P_EN_BIT]):
            return -1
        if _level(levels, row, pin[P_EN_WORD], pin[P_EN_BIT]) != pin[P_ACTIVE]:
            return 0
    if pin[P_TO_CPU] < 0:
        return 3
    if not _known(unknown, row, pin[P_DIR_WORD], pin[P_DIR_BIT]):
        return -1
    return 2 if _level(levels, row, pin[P_DIR_WORD], pin[P_DIR_BIT]) == pin[P_TO_CPU] else 1


@inner(_nrt=False)
def _settled(time, levels, unknown, first, last, t_from, t_to, pin):
    """The standing that a buffer held longest in ``t_from <= t < t_to``, and for how long it drove the CPU's side."""
    off = card = cpu = unaimed = np.int64(0)
    for row in range(first, last + 1):
        low = max(time[row], t_from)
        if low >= t_to:
            break
        high = t_to
        if row + 1 < time.shape[0] and time[row + 1] < high:
            high = time[row + 1]
        if high > low:
            state = _drive(levels, unknown, row, pin)
            if state < 0:
                return np.int64(-1), np.int64(0)
            if state == 0:
                off += high - low
            elif state == 1:
                card += high - low
            elif state == 2:
                cpu += high - low
            else:
                unaimed += high - low
    longest = max(off, card, cpu, unaimed)
    if longest == 0:
        return np.int64(-1), np.int64(0)
    return np.int64(0 if longest == off else 1 if longest == card else 2 if longest == cpu else 3), cpu


@inner(_nrt=False)
def _both_drove(time, levels, unknown, first, last, until, one, other):
    """For how long, up to ``until``, two buffers drove the CPU's side at once."""
    total = np.int64(0)
    for row in range(first, last + 1):
        high = until
        if row + 1 < time.shape[0] and time[row + 1] < high:
            high = time[row + 1]
        if high > time[row] and _drive(levels, unknown, row, one) == 2 and _drive(levels, unknown, row, other) == 2:
            total += high - time[row]
    return total


@inner(_nrt=False, forceinline=True)
def _note(tally, b, column, first_column, when):
    tally[b, column] += 1
    if tally[b, first_column] < 0:
        tally[b, first_column] = when


@inner(_nrt=False, forceinline=True)
def _one_control(b, role, earlier, standing, can_be_off, can_drive, when, tally):
    """Counts one cycle of one buffer."""
    if standing < 0:
        return
    if role == SERVED_READ:
        tally[b, C_READS] += 1
        if standing == 0:
            _note(tally, b, C_READS_OFF, C_FIRST, when)
        elif standing == 1:
            _note(tally, b, C_READS_AWAY, C_FIRST, when)
    elif role == SERVED_WRITE:
        after_read = earlier == SERVED_READ
        tally[b, C_WRITES] += 1
        tally[b, C_AFTER_READ] += after_read
        if standing == 0:
            _note(tally, b, C_WRITES_OFF, C_FIRST, when)
        elif standing == 2:
            _note(tally, b, C_WRITES_TOWARD, C_FIRST, when)
            tally[b, C_TOWARD_AFTER_READ] += after_read
    elif can_drive:
        tally[b, C_ELSEWHERE_OF] += can_be_off or role == OTHER_WRITE
        if (role == OTHER_WRITE and standing == 2) or (role == OTHER_READ and can_be_off and standing >= 2):
            _note(tally, b, C_ELSEWHERE, C_FIRST, when)
        elif role == OTHER_READ and standing == 2:
            tally[b, C_OTHERS_TOWARD] += 1


@inner(_nrt=False)
def _driven_from(time, levels, before, begin, address, data):
    """When the CPU began to drive a write: the first change of the data after the address came; the strobe's begin
    where none changed. Where the address stayed, what changes in the first half of the time until then may be the read
    before it, let go."""
    since = first = time[begin]
    quiet = time[before] + (time[begin] - time[before]) // 2
    row = begin
    while row > before:
        for w in range(data.shape[0]):
            moved = levels[row, w] ^ levels[row - 1, w]
            if moved & address[w] != np.uint64(0):
                return first
            if moved & data[w] != np.uint64(0):
                first = time[row]
                if time[row] > quiet:
                    since = time[row]
        row -= 1
    return since


@inner(_nrt=False, forceinline=True)
def _reads(role):
    return role in (SERVED_READ, OTHER_READ)


@inner(_nrt=False, forceinline=True)
def _stays_away(time, levels, unknown, before, begin, end, moved, k, word, bit, away):
    """Whether a select is seen at its level ``away`` in the middle of a strobe and as it ends; row ``k`` of
    ``moved``: the lines that moved in it."""
    if (moved[k, word] >> bit) & np.uint64(1) == np.uint64(0):
        return _level(levels, end, word, bit) == away
    row = max(end - 1, before)
    if not _known(unknown, row, word, bit) or _level(levels, row, word, bit) != away:
        return False
    middle, row = (time[begin] + time[end]) // 2, end
    while time[row] > middle:
        row -= 1
    return _known(unknown, row, word, bit) and _level(levels, row, word, bit) == away


@njit(cache=True, nogil=True, _nrt=False)
def watch_controls(windows, served, selects, roles, earlier, drivers, address, data, skew, hold, turn, tally):
    """What every cycle is to every data buffer; direction and enable of it then.

    ``windows``, ``served``, ``selects``, ``drivers``: ``Windows``, ``Served``, ``RegionLines`` and ``Drivers`` of the
    callers. Fills ``roles`` int8 (k, buffers): a cycle whose select does not come, or of which bits of the address are
    not known, is none that a buffer has to serve. ``earlier`` int8 (buffers,): those of the cycle before; carried.
    ``address``, ``data`` uint64 (words,) the bus's lines; ``hold`` ticks that the CPU keeps driving after a write,
    ``turn`` ticks that a driver may take to let go. ``tally`` int64 (buffers, TALLY_SIZE).
    """
    time, levels, unknown, before, at, after, begin, end, moved = windows
    region, kind, address_unknown = served
    word, bit, away = selects
    can_be_off, can_drive, pin, shared, watched, role, writes, standing = drivers
    count, none = pin.shape[0], away.shape[0] - 1
    for k in range(at.shape[0]):
        r = np.int64(region[k]) if region[k] >= 0 else none
        out = address_unknown[k] != 0
        if not out and away[r] != 2:
            out = _stays_away(time, levels, unknown, before[k], begin[k], end[k], moved, k, word[r], bit[r], away[r])
        for b in range(count):
            roles[k, b] = NEITHER if out else role[r, kind[k], b]
        start = time[begin[k]]
        stop = time[end[k]]
        half = start + (stop - start) // 2
        t_to = max(stop - skew, half + (stop - half) // 2)
        first_row = max(begin[k] - 1, before[k])
        if begin[k] == end[k]:
            half = max(stop - skew - 1, time[before[k]])
            t_to = half + 1
            first_row = before[k]
        last = min(after[k], time.shape[0] - 1)
        # Control lines that do not move leave nothing to weigh, and no overlap to look for.
        quiet = half < t_to and all_quiet(moved, k, watched)
        write = writes[kind[k]]
        for b in range(count):
            if quiet:
                standing[b] = _drive(levels, unknown, end[k], pin[b])
            else:
                standing[b], _ = _settled(time, levels, unknown, first_row, end[k], half, t_to, pin[b])
            _one_control(b, roles[k, b], earlier[b], standing[b], can_be_off[b], can_drive[b],
                         time[at[k]], tally)  # fmt: skip
            if not can_drive[b] or standing[b] == 2 or not write or begin[k] == end[k]:
                continue
            tally[b, C_OVERLAP_OF] += 1
            if not (quiet and still(levels, unknown, before[k], last, watched)):
                until = min(stop + hold - skew, time[last])
                since = _driven_from(time, levels, before[k], begin[k], address, data) + skew // 2
                _, drove = _settled(time, levels, unknown, before[k], last, since, until, pin[b])
                if drove > skew + turn:
                    _note(tally, b, C_OVERLAPS, C_OVERLAP_FIRST, time[at[k]])
                    tally[b, C_LONGEST] = max(tally[b, C_LONGEST], drove)
        for b in range(count):
            for c in range(b + 1, count):
                if not shared[b, c] or not (_reads(roles[k, b]) or _reads(roles[k, c])):
                    continue
                for one in (b, c):
                    tally[one, C_TWO_OF] += 1
                    tally[one, C_OVERLAP_OF] += 1
                if standing[b] == 2 and standing[c] == 2:
                    _note(tally, b, C_TWO, C_TWO_FIRST, time[at[k]])
                    _note(tally, c, C_TWO, C_TWO_FIRST, time[at[k]])
                    continue
                # One hands over to the other: how long both were on.
                drove = _both_drove(time, levels, unknown, before[k], end[k], time[end[k]], pin[b], pin[c])
                if drove > skew + turn:
                    for one in (b, c):
                        _note(tally, one, C_OVERLAPS, C_OVERLAP_FIRST, time[at[k]])
                        tally[one, C_LONGEST] = max(tally[one, C_LONGEST], drove)
        for b in range(count):
            earlier[b] = roles[k, b]
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def _row_at(time, first, last, t):
    """The row in effect at ``t``, not before ``first``."""
    row = last
    while row > first and time[row] > t:
        row -= 1
    return row


@inner(_nrt=False, forceinline=True)
def _last_change(time, levels, first, row, word, bit):
    """When the line took the level it has in ``row``; -1 if it did so before row ``first``."""
    now = _level(levels, row, word, bit)
    while row > first:
        if _level(levels, row - 1, word, bit) != now:
            return time[row]
        row -= 1
    return np.int64(-1)


@inner(_nrt=False, forceinline=True)
def _calm(levels, unknown, first, last, word, bit):
    """Whether the line is known and unchanged in rows ``first`` … ``last``."""
    was = _level(levels, last, word, bit)
    for row in range(first, last + 1):
        if not _known(unknown, row, word, bit) or _level(levels, row, word, bit) != was:
            return False
    return True


@inner(_nrt=False, forceinline=True)
def _wrong_apart(wrong, high, apart):
    """Counts the pairs of lanes that came out wrong where one went in ``high`` and the other did not."""
    left = wrong
    while left != np.uint64(0):
        one = lowest_bit(left)
        left &= left - np.uint64(1)
        level = (high >> np.uint64(one)) & np.uint64(1)
        other = left & ~high if level != np.uint64(0) else left & high
        while other != np.uint64(0):
            apart[one, lowest_bit(other)] += 1
            other &= other - np.uint64(1)


@njit(cache=True, nogil=True, _nrt=False)
def lane_paths(windows, role, kept, stated, use_stated, sides, skew, settle, bin_ticks, inverting, sums):
    """What went in and what came out, lane by lane.

    ``role`` int8 (k,); ``kept`` uint32 (k,) the near lanes before anybody drove
    them, bit = lane index; ``stated`` uint32 (k,), used as the near side where
    ``use_stated`` (a latched address). ``settle``: how long the input must have stood still. ``windows``, ``sides``,
    ``sums``: ``Windows``, ``Sides`` and ``PathSums`` of the callers.
    """
    time, levels, unknown, before, at, _, _, end, _ = windows
    near_word, near_bit, far_word, far_bit = sides
    table, first_wrong, delay, apart = sums
    for k in range(at.shape[0]):
        way = role[k]
        if way < 0:
            continue
        toward = way % 2 == 0
        stop = time[end[k]]
        row = _row_at(time, before[k], max(end[k] - 1, before[k]), stop - skew // 2 - 1)
        calm_from = _row_at(time, before[k], row, stop - skew // 2 - 1 - settle)
        wrong, high = np.uint64(0), np.uint64(0)
        for lane in range(near_word.shape[0]):
            in_word, in_bit = (far_word[lane], far_bit[lane]) if toward else (near_word[lane], near_bit[lane])
            out_word, out_bit = (near_word[lane], near_bit[lane]) if toward else (far_word[lane], far_bit[lane])
            if not _known(unknown, row, out_word, out_bit):
                continue
            came = _level(levels, row, out_word, out_bit)
            if use_stated:
                went = np.int64((stated[k] >> np.uint32(lane)) & np.uint32(1))
                was = _level(levels, before[k], out_word, out_bit)
            else:
                if not _calm(levels, unknown, calm_from, row, in_word, in_bit):
                    continue
                went = _level(levels, row, in_word, in_bit)
                was = np.int64((kept[k] >> np.uint32(lane)) & np.uint32(1))
                if not toward:
                    was = _level(levels, before[k], out_word, out_bit)
            right = went ^ inverting
            in_time = came == right
            if not in_time and _known(unknown, end[k], out_word, out_bit):
                # Slow clips and a loaded side: right as the strobe ends is right.
                came = _level(levels, end[k], out_word, out_bit)
            table[lane, way, was, went, came] += 1
            if way <= SERVED_WRITE and came != right:
                wrong |= np.uint64(1) << np.uint64(lane)
                high |= np.uint64(went) << np.uint64(lane)
                if first_wrong[lane] < 0:
                    first_wrong[lane] = time[at[k]]
            if way <= SERVED_WRITE and in_time and came != was and not use_stated:
                t_in = _last_change(time, levels, before[k], row, in_word, in_bit)
                t_out = _last_change(time, levels, before[k], row, out_word, out_bit)
                if t_in >= 0 and t_out >= 0:
                    place = (t_out - t_in + bin_ticks // 2) // bin_ticks + EARLY_BINS
                    delay[lane, 0 if toward else 1, min(max(place, 0), BINS - 1)] += 1
        _wrong_apart(wrong, high, apart)
    return np.int64(0)


@inner(_nrt=False, forceinline=True)
def _folded(word):
    """The bytes of a word laid over each other."""
    half = word ^ (word >> np.uint32(16))
    return np.int64((half ^ (half >> np.uint32(8))) & np.uint32(255))


@njit(cache=True, nogil=True, _nrt=False)
def held_lanes(role, before, cycles, lanes, table, words):
    """Reads lane by lane against what the bus would have kept.

    ``before``: the address of the cycle before the first; a cell that was just written or read stands on the bus
    already, and that it comes back says nothing. ``cycles``: ``Carried``. ``lanes`` int64 (n,) data bit numbers;
    ``table`` int64 (n + 1, 2 kept, 2 read): the last entry counts whole words, [0, 1] different and [1, 1] the same as
    kept. ``words`` int64 (2, 256): how often each word was kept and read, its bytes laid over each other. Returns how
    many words read are the low byte of their address's page.
    """
    address, data, data_unknown, kept = cycles
    every, paged = np.uint32(0), 0
    for i in range(lanes.shape[0]):
        every |= np.uint32(1) << np.uint32(lanes[i])
    for k in range(role.shape[0]):
        again = address[k] == before
        before = address[k]
        if role[k] != SERVED_READ or again:
            continue
        for i in range(lanes.shape[0]):
            one = np.uint32(1) << np.uint32(lanes[i])
            if data_unknown[k] & one == np.uint32(0):
                table[i, 1 if kept[k] & one != np.uint32(0) else 0, 1 if data[k] & one != np.uint32(0) else 0] += 1
        if data_unknown[k] & every == np.uint32(0):
            table[lanes.shape[0], 1 if (data[k] ^ kept[k]) & every == np.uint32(0) else 0, 1] += 1
            words[0, _folded(kept[k] & every)] += 1
            words[1, _folded(data[k] & every)] += 1
            paged += (data[k] ^ (address[k] >> np.uint32(8))) & every & np.uint32(255) == np.uint32(0)
    return paged
