"""Lines of a CSV of samples to rows: whole lines only, one pass.

``state`` int64[8]: TIME (ticks of the open row, -1 before the first), ROWS,
SAMPLES (lines read), BEGUN (a row was written). ``now`` and ``last`` uint64[2, words]: levels and unknown.
Columns: kind (the constants), size in bits, and targets as in ``vcd_kernel``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

TIME, ROWS, SAMPLES, BEGUN = range(4)
STATE_SIZE = 8
TIME_COLUMN, LEVEL, HEX, PASSED = range(4)
OK, FULL, BAD_TIME, NEGATIVE, BACKWARDS, TOO_LATE, BAD_LEVEL, FEW_FIELDS, MANY_FIELDS = range(9)
BIGGEST = np.int64(9223372036854775807)


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
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
def decimal_ticks(buf, at, end, power, point):
    """(status, ticks) of a decimal number times 10^power; ``point`` is the decimal sign's byte.

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
        elif (c == point or c == 46) and not seen_point:
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
    if negative and mantissa != 0:
        return NEGATIVE, np.int64(0)
    return scaled(mantissa, power)


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def put_cell(buf, at, end, kind, first, final, bit, word, mask, now):
    """Give one column's targets the cell ``buf[at:end]``; False if it is not a level or a hex number.

    LEVEL: 0, 1, or unknown (x X z Z ? - or empty). HEX: digits, ``0x`` before
    them or not; a missing digit is 0, an empty cell unknown.
    """
    if kind == LEVEL and end - at > 1:
        return False
    if kind == HEX and end - at > 2 and buf[at] == 48 and buf[at + 1] | 32 == 120:
        at += 2
    count = end - at
    for k in range(at, end):
        digit = hex_value(buf[k])
        if digit > 16 and not (count == 1 and buf[k] == 45):
            return False
        if kind == LEVEL and 1 < digit < 16:
            return False
    # Digits left out on the left are 0, or unknown where the first one given is.
    lead = np.int64(16) if count == 0 or hex_value(buf[at]) > 15 else np.int64(0)
    for k in range(first, final):
        w, m = word[k], mask[k]
        place = bit[k] >> 2
        digit = hex_value(buf[end - 1 - place]) if place < count else lead
        if digit >= 16:
            now[0, w] &= ~m
            now[1, w] |= m
        else:
            now[1, w] &= ~m
            if digit >> (bit[k] & 3) & 1:
                now[0, w] |= m
            else:
                now[0, w] &= ~m
    return True


@njit(cache=True, nogil=True)
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


@njit(cache=True, nogil=True)
def read_line(buf, at, end, delimiter, point, power, columns, now):
    """(status, position, ticks) of one line; ticks -1 where no column is a time."""
    kind, first, bit, word, mask = columns
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
            status, ticks = decimal_ticks(buf, start, final, power, point)
            if status != OK:
                return status, start, ticks
        elif kind[c] != PASSED and not put_cell(
            buf, start, final, kind[c], first[c], first[c + 1], bit, word, mask, now
        ):
            return BAD_LEVEL, start, ticks
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
def read_samples(buf, at, stop, state, delimiter, point, power, sample_ticks, columns, now, fresh, last, rows):
    """Read whole lines of ``buf[at:stop]``; returns (status, position).

    sample_ticks: ticks a sample (float), used where no column is a time.
    fresh uint64[2, words]: work space. rows: (time, levels, unknown).
    """
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
        status, position, ticks = read_line(buf, at, final, delimiter, point, power, columns, fresh)
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
