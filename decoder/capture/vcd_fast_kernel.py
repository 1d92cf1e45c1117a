"""The common tokens of a dump's body, for up to 64 selected lines.

``vcd_kernel.lex`` understands everything; this loop understands what nearly
all of a file consists of (time stamps, scalar changes, plain binary vectors)
and hands each other token to it. Both write the same rows.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import trailing
from busledger.decoder.capture.load_kernel import (
    EIGHT,
    POWERS,
    ZEROS,
    eight_digits,
    fast_bits,
    fast_number,
    load64,
    not_digits,
)
from busledger.decoder.capture.vcd_kernel import (
    FIRST_CODE,
    FORCE,
    MODE,
    NORMAL,
    OK,
    OPEN,
    PAIRS,
    ROWS,
    SECTION,
    TIME,
    TOUCHES,
    find_variable,
    lex,
    open_rows,
)
from busledger.decoder.inner_kernel import inner

MARGIN = 40
BYTE = np.uint64(255)
SPACE, LOW, HIGH, OTHER, STAMP, VECTOR, SLOW = range(7)
LEADS, LEAD_BITS = np.uint64(0x0030000030000030), np.uint64(0x00FE0000FE0000FE)  # "0" or "1" in bytes 0, 3 and 6


@inner(_nrt=False)
def code_variable(buf, at, stop, ids):
    """(variable, end) of the code at ``at`` with white space behind it; -1 if it is not there or too long."""
    one, keys, key_var, blob, long_at, long_var = ids
    end = at
    while end < stop and buf[end] > 32:
        end += 1
    if end in (at, stop) or end - at > 8:
        return np.int64(-1), end
    return find_variable(buf, at, end, one, keys, key_var, blob, long_at, long_var), end


@inner(_nrt=False, forceinline=True)
def short_variable(buf, at, window, stop, role, ids):
    """``code_variable`` where the bytes from ``at`` are at hand, in ``window``; three of them lie before ``stop``."""
    a, b, c = window & BYTE, (window >> np.uint64(8)) & BYTE, (window >> np.uint64(16)) & BYTE
    if a > 32 and role[b] == SPACE:
        return np.int64(ids.one[a]), at + 1
    if role[c] == SPACE and FIRST_CODE <= a < FIRST_CODE + PAIRS and FIRST_CODE <= b < FIRST_CODE + PAIRS:
        return np.int64(ids.one[256 + (np.int64(a) - FIRST_CODE) * PAIRS + np.int64(b) - FIRST_CODE]), at + 2
    return code_variable(buf, at, stop, ids)


@inner(_nrt=False)
def lex_common(buf, at, stop, state, now, last, ids, common, rows):
    """Read common tokens from ``at``; returns the first position that is not one, or near ``stop``.

    What decides where the next token begins is worked out without branches that depend on how many changes a time
    has, and for stamps foretold by the width of the one before: to be wrong there costs more than a token does.

    common: ``PlainTables``.
    """
    role, one_mask, one_plain, var_mask, var_shift, var_width = common[:6]
    time, levels, unknown, touch_row, touch_mask = rows
    v, u, t = now[0, 0], now[1, 0], now[2, 0]
    last_v, last_u, last_t = last[0, 0], last[1, 0], last[2, 0]
    ticks, row = state[TIME], state[ROWS]
    safe = stop - MARGIN
    none, stamped = np.uint64(0), False
    # Of the last stamp: how many digits, which bytes the last eight of them are, the first eight bytes where there are
    # more, and what these are worth.
    digits, kept, begun, begin, lead = np.int64(0), none, none, none, np.int64(0)
    raised = state[FORCE] != 0
    if u != none and state[OPEN] == 0:
        open_rows(state, unknown, row)
    opened = state[OPEN] != 0
    while at < safe:
        window = load64(buf, at)
        c = window & BYTE
        what = role[c]
        if what == STAMP:
            end, tail = at + 1 + digits, none
            like = at > 7 and load64(buf, at + 1) & begun == begin and digits > 0
            if like:
                tail = (load64(buf, at + digits - 7) ^ ZEROS) & kept
                like = not_digits(tail) == 0 and role[buf[end]] == SPACE
            if like:
                value = lead + eight_digits(tail)
            else:
                value, end = fast_number(buf, at + 1)
                digits = end - at - 1
                if digits == 0 or role[buf[end]] != SPACE:
                    break
                kept, begun, begin, lead = ~none, none, none, np.int64(0)
                if digits > 8:
                    begun, begin, lead = ~none, load64(buf, at + 1), value // POWERS[8] * POWERS[8]
                elif digits < 8:
                    kept = ~none << np.uint64(64 - 8 * digits)
            if value < ticks or raised:
                break
            stamped = True
            if value > ticks:
                time[row] = ticks
                levels[row, 0] = v
                if opened:
                    unknown[row, 0] = u
                if t != last_t:
                    k = state[TOUCHES]
                    touch_row[k] = row
                    touch_mask[k, 0] = t
                    state[TOUCHES] = k + 1
                row += np.int64(((v ^ last_v) | (u ^ last_u) | (t ^ last_t)) != 0)
                last_v, last_u, last_t = v, u, t
                ticks = value
            at = end + 1
        elif what <= HIGH and what != SPACE:
            # Up to three changes of three bytes: those that begin with 0 or 1.
            other = (window ^ LEADS) & LEAD_BITS
            n = np.int64(trailing(other) >> np.uint64(3)) if other != 0 else np.int64(9)
            code, code2, code3 = (window >> EIGHT) & BYTE, (window >> np.uint64(32)) & BYTE, window >> np.uint64(56)
            has2, has3 = none - np.uint64(n > 3), none - np.uint64(n > 6)
            odd = np.uint64(role[(window >> np.uint64(16)) & BYTE]) | np.uint64(one_plain[code] ^ 1)
            odd |= (np.uint64(role[(window >> np.uint64(40)) & BYTE]) | np.uint64(one_plain[code2] ^ 1)) & has2
            odd |= (np.uint64(role[buf[at + 8]]) | np.uint64(one_plain[code3] ^ 1)) & has3
            if odd == 0:
                m, m2, m3 = one_mask[code], one_mask[code2] & has2, one_mask[code3] & has3
                v = (v & ~m) | (m & (none - (c & np.uint64(1))))
                v = (v & ~m2) | (m2 & (none - ((window >> np.uint64(24)) & np.uint64(1))))
                v = (v & ~m3) | (m3 & (none - ((window >> np.uint64(48)) & np.uint64(1))))
                m |= m2 | m3
                t |= m
                u &= ~m
                at += n
                continue
            variable, end = short_variable(buf, at + 1, window >> EIGHT, stop, role, ids)
            if variable < 0 or var_shift[variable] < 0 or var_width[variable] != 1 or role[buf[end]] != SPACE:
                break
            m = var_mask[variable]
            at = end + 1
            t |= m
            u &= ~m
            v = (v & ~m) | (m & (none - (c & np.uint64(1))))
        elif what == OTHER:
            variable, end = short_variable(buf, at + 1, window >> EIGHT, stop, role, ids)
            if variable < 0 or var_shift[variable] < 0 or var_width[variable] != 1 or role[buf[end]] != SPACE:
                break
            m = var_mask[variable]
            at = end + 1
            if not opened and m != none:
                open_rows(state, unknown, row)
                opened = True
            t |= m
            u |= m
            v &= ~m
        elif what == SPACE:
            at += 1
        elif what == VECTOR:
            bits, end = fast_bits(buf, at + 1, stop)
            count = end - at - 1
            if count == 0 or end == stop or buf[end] != 32:
                break
            if end + 1 >= safe:
                break
            variable, code_end = short_variable(buf, end + 1, load64(buf, end + 1), stop, role, ids)
            if variable < 0 or var_shift[variable] < 0 or count > var_width[variable] or role[buf[code_end]] != SPACE:
                break
            m = var_mask[variable]
            if var_width[variable] == 1:  # one bit may be shown by several lines
                v = (v & ~m) | (m & (none - bits))
            else:
                v = (v & ~m) | ((bits << np.uint64(var_shift[variable])) & m)
            u &= ~m
            t |= m
            at = code_end + 1
        else:
            break
    now[0, 0], now[1, 0], now[2, 0] = v, u, t
    last[0, 0], last[1, 0], last[2, 0] = last_v, last_u, last_t
    state[TIME], state[ROWS] = ticks, row
    if stamped:
        state[SECTION] = 0
    return at


@njit(cache=True, nogil=True, _nrt=False)
def lex_narrow(buf, at, stop, carried, lines, rows, gaps):
    """``vcd_kernel.lex`` for one word of lines: the same arguments, rows, status and position."""
    state, now, last = carried
    while True:
        if state[MODE] == NORMAL:
            at = lex_common(buf, at, stop, state, now, last, lines.ids, lines.common, rows)
        tokens = -1 if at >= stop - MARGIN else 1
        before = at
        status, at = lex(buf, at, stop, tokens, carried, lines, rows, gaps)
        if status != OK or tokens == -1 or at == before:
            return status, at
