"""Lines of a CSV of samples to rows: whole lines only, one pass.

``state`` int64[8]: TIME (ticks of the open row, -1 before the first), ROWS,
SAMPLES (lines read), BEGUN (a row was written). ``now`` and ``last`` uint64[2, words]: levels and unknown.
Columns: kind (the constants), size in bits, and targets as in ``vcd_kernel``: column c owns the entries
``first[c]:first[c + 1]`` of ``bit``, ``word`` and ``mask``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import INNER

TIME, ROWS, SAMPLES, BEGUN = range(4)
STATE_SIZE = 8
TIME_COLUMN, LEVEL, HEX, BINARY, DECIMAL = range(5)
OK, FULL, BAD_TIME, BACKWARDS, TOO_LATE, BAD_LEVEL, FEW_FIELDS, MANY_FIELDS, TOO_BIG = range(9)
BIGGEST = np.int64(9223372036854775807)


@njit(**INNER)
def scaled(mantissa, power):
    """(status, mantissa * 10^power), halves rounded up; TOO_LATE past 2^63 - 1."""
    if mantissa == 0:
        return OK, np.int64(0)
    while power > 0:
        if mantissa > BIGGEST // 10:
            return TOO_LATE, np.int64(0)
        mantissa *= 10
        power -= 1
    if power < -18:
        return OK, np.int64(0)
    if power < 0:
        divisor = np.int64(1)
        for _ in range(-power):
            divisor *= 10
        whole = mantissa // divisor
        rest = mantissa - whole * divisor
        return OK, whole + (1 if rest >= divisor - rest else 0)
    return OK, mantissa


@njit(**INNER)
def exponent_of(buf, at, end):
    """(good, value) of a signed exponent of one to four digits."""
    negative = False
    if at < end and (buf[at] == 43 or buf[at] == 45):
        negative = buf[at] == 45
        at += 1
    if at == end or end - at > 4:
        return False, np.int64(0)
    value = np.int64(0)
    while at < end:
        digit = np.int64(buf[at]) - 48
        if digit < 0 or digit > 9:
            return False, np.int64(0)
        value = value * 10 + digit
        at += 1
    return True, -value if negative else value


@njit(cache=True, nogil=True)
def decimal_ticks(buf, at, end, power):
    """(status, ticks) of a decimal number times 10^power, its sign a point or a comma.

    The first 18 digits count; NaN and infinities are BAD_TIME like any other word.
    """
    negative = at < end and buf[at] == 45
    if at < end and (buf[at] == 43 or buf[at] == 45):
        at += 1
    mantissa = np.int64(0)
    digits = np.int64(0)
    seen_point = False
    while at < end:
        c = buf[at]
        if 48 <= c <= 57:
            digits += 1
            if mantissa < 100000000000000000:
                mantissa = mantissa * 10 + (np.int64(c) - 48)
                if seen_point:
                    power -= 1
            elif not seen_point:
                power += 1
        elif (c == 44 or c == 46) and not seen_point:
            seen_point = True
        else:
            break
        at += 1
    if digits == 0:
        return BAD_TIME, np.int64(0)
    if at < end:
        if buf[at] | 32 != 101:  # e
            return BAD_TIME, np.int64(0)
        good, exponent = exponent_of(buf, at + 1, end)
        if not good:
            return BAD_TIME, np.int64(0)
        power += exponent
    status, ticks = scaled(mantissa, power)
    return status, -ticks if negative else ticks


@njit(**INNER)
def hex_value(c):
    """0 to 15, 16 for an unknown digit (x z ?), or 17 for none."""
    if 48 <= c <= 57:
        return np.int64(c) - 48
    lower = c | 32
    if 97 <= lower <= 102:
        return np.int64(lower) - 87
    if lower == 120 or lower == 122 or c == 63:
        return np.int64(16)
    return np.int64(17)


@njit(**INNER)
def put_bit(now, w, m, level):
    """Give one target the level 0 or 1, or anything above for unknown."""
    if level > 1:
        now[0, w] &= ~m
        now[1, w] |= m
    else:
        now[1, w] &= ~m
        now[0, w] = now[0, w] | m if level == 1 else now[0, w] & ~m


@njit(**INNER)
def put_digits(buf, at, end, per, size, first, final, bit, word, mask, now):
    """Digits of ``per`` bits each (4: hexadecimal, 1: binary), ``0x`` or ``0b`` before them or not.

    A missing digit is 0, or unknown where the first one given is; an empty cell is unknown.
    """
    letter = 120 if per == 4 else 98
    if end - at > 2 and buf[at] == 48 and buf[at + 1] | 32 == letter:
        at += 2
    count = end - at
    for k in range(at, end):
        digit = hex_value(buf[k])
        if digit > 16 and not (count == 1 and buf[k] == 45):
            return BAD_LEVEL
        if per == 1 and 1 < digit < 16:
            return BAD_LEVEL
        room = size - per * (end - 1 - k)
        if digit < 16 and room < per and digit >> max(room, 0) != 0:
            return TOO_BIG
    lead = np.int64(16) if count == 0 or hex_value(buf[at]) > 15 else np.int64(0)
    for k in range(first, final):
        place = bit[k] // per
        digit = hex_value(buf[end - 1 - place]) if place < count else lead
        put_bit(now, word[k], mask[k], 2 if digit >= 16 else digit >> (bit[k] % per) & 1)
    return OK


@njit(**INNER)
def put_decimal(buf, at, end, size, first, final, bit, word, mask, now):
    """A decimal number of at most 62 bits; an empty cell, x, z, ? and - are unknown."""
    count = end - at
    value = np.int64(0)
    known = not (count == 0 or (count == 1 and (hex_value(buf[at]) == 16 or buf[at] == 45)))
    if known:
        for k in range(at, end):
            digit = hex_value(buf[k])
            if digit > 9:
                return BAD_LEVEL
            value = value * 10 + digit
            if value >> size != 0:
                return TOO_BIG
    for k in range(first, final):
        put_bit(now, word[k], mask[k], value >> bit[k] & 1 if known else 2)
    return OK


@njit(**INNER)
def put_cell(buf, at, end, kind, size, first, final, bit, word, mask, now):
    """Give one column's targets the cell ``buf[at:end]``; a status. LEVEL: 0, 1, or unknown (x z ? - or empty)."""
    if kind == LEVEL:
        digit = hex_value(buf[at]) if end > at else np.int64(16)
        if end - at > 1 or 1 < digit < 16 or (digit > 16 and buf[at] != 45):
            return BAD_LEVEL
        for k in range(first, final):
            put_bit(now, word[k], mask[k], digit)
        return OK
    if kind == DECIMAL:
        return put_decimal(buf, at, end, size, first, final, bit, word, mask, now)
    return put_digits(buf, at, end, 4 if kind == HEX else 1, size, first, final, bit, word, mask, now)


@njit(**INNER)
def line_end(buf, at, stop):
    """Position of the next line feed, or ``stop``."""
    while at < stop and buf[at] != 10:
        at += 1
    return at


@njit(cache=True, nogil=True)
def cell(buf, at, end, delimiter):
    """(start, final, next): the cell from ``at`` without spaces and quotes; next is past its delimiter."""
    start = at
    while start < end and (buf[start] == 32 or (buf[start] == 9 and delimiter != 9)):
        start += 1
    if start < end and buf[start] == 34:
        final = start + 1
        while final < end and buf[final] != 34:
            final += 1
        after = final
        while after < end and buf[after] != delimiter:
            after += 1
        return start + 1, final, after + 1
    final = start
    while final < end and buf[final] != delimiter:
        final += 1
    after = final + 1
    while final > start and buf[final - 1] == 32:
        final -= 1
    return start, final, after


@njit(**INNER)
def read_line(buf, at, end, delimiter, power, origin, columns, now):
    """(status, position, ticks) of one line; ticks from ``origin`` on, -1 where no column is a time."""
    kind, size, first, bit, word, mask = columns
    ticks = np.int64(-1)
    begin = at
    for c in range(kind.shape[0]):
        if at > end:
            return FEW_FIELDS, begin, ticks
        plain = at < end and (buf[at] == 48 or buf[at] == 49) and (at + 1 == end or buf[at + 1] == delimiter)
        if kind[c] == LEVEL and plain:
            for k in range(first[c], first[c + 1]):
                w, m = word[k], mask[k]
                now[1, w] &= ~m
                now[0, w] = now[0, w] | m if buf[at] == 49 else now[0, w] & ~m
            at += 2
            continue
        start, final, after = cell(buf, at, end, delimiter)
        if kind[c] == TIME_COLUMN:
            status, ticks = decimal_ticks(buf, start, final, power)
            if status == OK and ticks > BIGGEST + origin:
                status = TOO_LATE
            if status == OK and ticks < origin:
                status = BACKWARDS
            if status != OK:
                return status, start, ticks
            ticks -= origin
        else:
            status = put_cell(buf, start, final, kind[c], size[c], first[c], first[c + 1], bit, word, mask, now)
            if status != OK:
                return status, start, ticks
        at = after
    if at < end:  # one delimiter at the end of a line is passed over, a further field is not
        return MANY_FIELDS, at, ticks
    return OK, at, ticks


@njit(cache=True, nogil=True)
def write_open_row(state, now, last, time, levels, unknown):
    """Write the row of the time that ends, if it is the first or differs from the last."""
    row = state[ROWS]
    differs = state[TIME] >= 0 and state[BEGUN] == 0
    for w in range(now.shape[1]):
        if now[0, w] != last[0, w] or now[1, w] != last[1, w]:
            differs = True
    if state[TIME] < 0 or not differs:
        return
    state[BEGUN] = 1
    time[row] = state[TIME]
    for w in range(now.shape[1]):
        levels[row, w] = last[0, w] = now[0, w]
        unknown[row, w] = last[1, w] = now[1, w]
    state[ROWS] = row + 1


@njit(cache=True, nogil=True)
def read_samples(buf, at, stop, state, form, columns, now, fresh, last, rows):
    """Read whole lines of ``buf[at:stop]``; returns (status, position).

    form: ``CsvForm``. columns: ``Targets``. fresh uint64[2, words]: work space. rows: (time, levels, unknown).
    """
    delimiter, power, origin, sample_ticks = form
    time, levels, unknown = rows
    while at < stop:
        end = line_end(buf, at, stop)
        if end == stop:
            return OK, at
        if state[ROWS] == time.shape[0]:
            return FULL, at
        final = end - 1 if end > at and buf[end - 1] == 13 else end
        if final == at:
            at = end + 1
            continue
        for w in range(now.shape[1]):
            fresh[0, w], fresh[1, w] = now[0, w], now[1, w]
        status, position, ticks = read_line(buf, at, final, delimiter, power, origin, columns, fresh)
        if status != OK:
            return status, position
        if ticks < 0:
            ticks = np.int64(np.rint(state[SAMPLES] * sample_ticks))
        if ticks < state[TIME]:
            return BACKWARDS, at
        if ticks > state[TIME]:
            write_open_row(state, now, last, time, levels, unknown)
            state[TIME] = ticks
        for w in range(now.shape[1]):
            now[0, w], now[1, w] = fresh[0, w], fresh[1, w]
        state[SAMPLES] += 1
        at = end + 1
    return OK, at
