"""The body of a value change dump, bytes to rows: one pass, whole tokens only.

The grammar is IEEE 1364-2005 18.2.1 and 18.2.2. A token counts once white
space follows it; whatever is left open at the end is not consumed, so the
caller may cut the stream anywhere. Arrays in, arrays out, a status back.

``state`` int64[16]: the slots are the constants below. As long as ``OPEN`` is 0, no level was unknown in any row, and
the rows' unknown bits are not written: nearly all pieces are so, and these bits are a third of what they would write.
``now`` and ``last`` uint64[3, words]: levels, unknown and touched, at the
current time and in the row written last. A bit is *touched* once the piece
has given it a value; until then its level is not known to this piece, and
both its other bits are 0. So pieces may be read in any order and patched after.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import inner

MODE, TIME, ROWS, GAPS, TOUCHES, FORCE, SECTION, LONG, LONG_AT, OPEN = range(10)
STATE_SIZE = 16
NORMAL, SKIP = 0, 1
OK, UNDECLARED, BACKWARDS, BAD_TIME, TIME_OVERFLOW, BAD_TOKEN, BAD_DIGIT, FULL = range(8)
IGNORED, WANTED = 0, 1
# Identifier codes are made of printable characters, "!" to "~" (18.2.1); those of two have a table of their own.
FIRST_CODE, PAIRS = 33, 94


@inner(_nrt=False)
def is_space(byte):
    """White space as the grammar means it: space, tab, newline, and the other three of isspace."""
    return byte == 32 or (9 <= byte <= 13)


@inner(_nrt=False)
def skip_space(buf, at, stop):
    """First position from ``at`` that is not white space, or ``stop``."""
    while at < stop and is_space(buf[at]):
        at += 1
    return at


@inner(_nrt=False)
def token_end(buf, at, stop):
    """First position from ``at`` that is a space or a control byte, or ``stop``."""
    while at < stop and buf[at] > 32:
        at += 1
    return at


@inner(_nrt=False)
def pack_code(buf, start, end):
    """An identifier code of up to 8 bytes as one number, first byte lowest."""
    key = np.uint64(0)
    for k in range(end - start):
        key |= np.uint64(buf[start + k]) << np.uint64(8 * k)
    return key


@inner(_nrt=False)
def hash_code(key):
    """A 64-bit mix (multiply by 2^64 over the golden ratio, take the high half)."""
    return np.int64((key * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(33))


@inner(_nrt=False)
def hash_long(buf, start, end):
    """FNV-1a over the bytes of a long identifier code."""
    value = np.uint64(0xCBF29CE484222325)
    for k in range(start, end):
        value = (value ^ np.uint64(buf[k])) * np.uint64(0x100000001B3)
    return np.int64(value >> np.uint64(33))


@inner(_nrt=False)
def find_variable(buf, start, end, one, keys, key_var, blob, long_at, long_var):
    """Variable index of the identifier code ``buf[start:end]``, or -1.

    one int32[256 + 94²]: codes of one byte, then of two printable ones. keys uint64[2^k], key_var int32[2^k]: open
    addressing for 2 to 8 bytes, key 0 empty. long_at int64[2^k, 2] (start, end in
    ``blob``), long_var int32[2^k] (-1 empty): the same for longer ones.
    """
    length = end - start
    if length == 1:
        return np.int64(one[buf[start]])
    if length == 2:
        a, b = np.int64(buf[start]) - FIRST_CODE, np.int64(buf[start + 1]) - FIRST_CODE
        if 0 <= a < PAIRS and 0 <= b < PAIRS:
            return np.int64(one[256 + a * PAIRS + b])
    if length <= 8:
        key = pack_code(buf, start, end)
        slot = hash_code(key) & (keys.shape[0] - 1)
        while keys[slot] != 0:
            if keys[slot] == key:
                return np.int64(key_var[slot])
            slot = (slot + 1) & (keys.shape[0] - 1)
        return np.int64(-1)
    slot = hash_long(buf, start, end) & (long_var.shape[0] - 1)
    while long_var[slot] >= 0:
        at = long_at[slot, 0]
        if long_at[slot, 1] - at == length:
            same = True
            for k in range(length):
                if blob[at + k] != buf[start + k]:
                    same = False
                    break
            if same:
                return np.int64(long_var[slot])
        slot = (slot + 1) & (long_var.shape[0] - 1)
    return np.int64(-1)


@inner(_nrt=False)
def apply_value(buf, start, end, first, final, bit, word, mask, now):
    """Give one variable the digits ``buf[start:end]``, extended to the left (Table 18-1).

    ``bit``, ``word``, ``mask``: targets ``first:final`` of this variable: its bit
    number (0 = right-most digit) and where it lies in ``now``.
    """
    count = end - start
    lead = buf[start]
    if lead == 49:  # a leading 1 extends with 0
        lead = 48
    for k in range(first, final):
        place = bit[k]
        digit = buf[end - 1 - place] if place < count else lead
        w = word[k]
        m = mask[k]
        now[2, w] |= m
        if digit == 48:
            now[0, w] &= ~m
            now[1, w] &= ~m
        elif digit == 49:
            now[0, w] |= m
            now[1, w] &= ~m
        else:
            now[0, w] &= ~m
            now[1, w] |= m


@inner(_nrt=False)
def good_digits(buf, start, end):
    """True if every byte is one of 0 1 x X z Z."""
    for k in range(start, end):
        c = buf[k]
        if c != 48 and c != 49 and c != 120 and c != 122 and c != 88 and c != 90:
            return False
    return end > start


@inner(_nrt=False)
def open_rows(state, unknown, rows):
    """From here on the rows' unknown bits are written, 0 in the ``rows`` before."""
    for i in range(rows):
        for w in range(unknown.shape[1]):
            unknown[i, w] = 0
    state[OPEN] = 1


@inner(_nrt=False)
def write_row(state, now, last, rows):
    """Write the row of the time stamp that ends here, if anything differs from the last one."""
    time, levels, unknown, touch_row, touch_mask = rows
    words = now.shape[1]
    differs = state[FORCE] != 0
    touched, lost = False, False
    for w in range(words):
        lost = lost or now[1, w] != 0
        if now[0, w] != last[0, w] or now[1, w] != last[1, w]:
            differs = True
        if now[2, w] != last[2, w]:
            touched = True
    if not (differs or touched):
        return
    row = state[ROWS]
    if touched:
        k = state[TOUCHES]
        touch_row[k] = row
        for w in range(words):
            touch_mask[k, w] = now[2, w]
        state[TOUCHES] = k + 1
    if lost and state[OPEN] == 0:
        open_rows(state, unknown, row)
    time[row] = state[TIME]
    for w in range(words):
        levels[row, w] = now[0, w]
        if state[OPEN] != 0:
            unknown[row, w] = now[1, w]
        last[0, w] = now[0, w]
        last[1, w] = now[1, w]
        last[2, w] = now[2, w]
    state[ROWS] = row + 1
    state[FORCE] = 0


@inner(_nrt=False)
def read_time(buf, start, end):
    """(status, ticks) of the decimal digits ``buf[start:end]``; up to 2^63 - 1."""
    if end == start:
        return BAD_TIME, np.int64(0)
    value = np.int64(0)
    for k in range(start, end):
        digit = np.int64(buf[k]) - 48
        if digit < 0 or digit > 9:
            return BAD_TIME, np.int64(0)
        if value > (9223372036854775807 - digit) // 10:
            return TIME_OVERFLOW, np.int64(0)
        value = value * 10 + digit
    return OK, value


@inner(_nrt=False)
def keyword_is(buf, start, end, c4, c5, c6, c7, length):
    """True for ``$dump`` and up to four more letters, ``length`` bytes in all."""
    if end - start != length or buf[start + 1] != 100 or buf[start + 2] != 117:
        return False
    if buf[start + 3] != 109 or buf[start + 4] != 112:
        return False
    rest = (c4, c5, c6, c7)
    same = True
    for k in range(length - 5):
        same = same and buf[start + 5 + k] == rest[k]
    return same


@inner(_nrt=False)
def open_section(buf, start, end, state, now, selected, gap_time, gap_kind):
    """Act on a ``$word``: the four dump sections hold values, all else is skipped to ``$end``.

    $dumpoff makes every selected line unknown and opens a gap, $dumpon closes it
    (18.1.3). False when the gap columns are full and must be emptied first.
    """
    off = keyword_is(buf, start, end, 111, 102, 102, 0, 8)
    on = keyword_is(buf, start, end, 111, 110, 0, 0, 7)
    if off or on:
        k = state[GAPS]
        if k == gap_time.shape[0]:
            return False
        gap_time[k] = state[TIME]
        gap_kind[k] = 1 if off else 0
        state[GAPS] = k + 1
        state[FORCE] = 1
        if off:
            for w in range(now.shape[1]):
                now[0, w] = 0
                now[1, w] = selected[w]
                now[2, w] = selected[w]
    elif not (keyword_is(buf, start, end, 97, 108, 108, 0, 8) or keyword_is(buf, start, end, 118, 97, 114, 115, 9)):
        state[MODE] = SKIP
    state[SECTION] = 1
    return True


@njit(cache=True, nogil=True, _nrt=False)
def lex(buf, at, stop, limit, carried, lines, rows, gaps):
    """Read whole tokens of ``buf[at:stop]``; up to ``limit`` of them (-1: all).

    ``carried``: ``DumpState``. ``lines``: ``LineTables``. Written: ``RowsOut`` and ``Gaps``.
    Returns (status, position): the first byte not consumed, or the defect. A last
    token that may go on beyond ``stop`` is not consumed.
    """
    state, now, last = carried
    kind, size, first, bit, word, mask = lines.targets
    one, keys, key_var, blob, long_at, long_var = lines.ids
    while limit != 0:
        limit -= 1
        at = skip_space(buf, at, stop)
        end = token_end(buf, at, stop)
        if end == stop:
            return OK, at
        if not is_space(buf[end]):
            return BAD_TOKEN, end
        c = buf[at]
        if state[MODE] == SKIP or c == 36:  # $
            if end - at == 4 and buf[at] == 36 and buf[at + 1] == 101 and buf[at + 2] == 110 and buf[at + 3] == 100:
                state[MODE] = NORMAL
                state[SECTION] = 0
            elif state[MODE] != SKIP and not open_section(
                buf, at, end, state, now, lines.selected, gaps.time, gaps.kind
            ):
                return FULL, at
            at = end
        elif c == 35:  # #
            status, ticks = read_time(buf, at + 1, end)
            if status != OK:
                return status, at
            if ticks < state[TIME]:
                return BACKWARDS, at
            if ticks > state[TIME]:
                write_row(state, now, last, rows)
                state[TIME] = ticks
            state[SECTION] = 0  # a time stamp cannot stand inside a section
            at = end
        else:
            lower = c | 32
            if lower == 98 or lower == 114 or lower == 115:  # b r s: the code is the next token
                code = skip_space(buf, end, stop)
                code_end = token_end(buf, code, stop)
                if code_end == stop:
                    return OK, at
                if not is_space(buf[code_end]):
                    return BAD_TOKEN, code_end
                value, value_end = at + 1, end
                if lower == 98 and not good_digits(buf, value, value_end):
                    return BAD_DIGIT, at
            else:
                value, value_end, code, code_end = at, at + 1, at + 1, end
                if not good_digits(buf, value, value_end) or code == code_end:
                    return BAD_TOKEN, at
            v = find_variable(buf, code, code_end, one, keys, key_var, blob, long_at, long_var)
            if v < 0:
                return UNDECLARED, at
            if kind[v] == WANTED and lower != 114 and lower != 115:
                if value_end - value > size[v]:
                    if state[LONG] == 0:
                        state[LONG_AT] = at
                    state[LONG] += 1
                apply_value(buf, value, value_end, first[v], first[v + 1], bit, word, mask, now)
            at = code_end
    return OK, at
