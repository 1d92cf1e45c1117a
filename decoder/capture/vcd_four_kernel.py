"""``vcd_fast_kernel`` for 65 to 256 selected lines: the same tokens, the levels of four words in registers.

Every change is laid into all four words, by masks that are 0 in those it does not touch: that is a handful of
instructions, where a word that is looked up waits for memory at each change. A vector is turned to its place once, and
so turned right for every word: its bits lie side by side, in one word or across a border of two.
"""

from __future__ import annotations

import numpy as np
from numba import njit

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
from busledger.decoder.capture.vcd_fast_kernel import (
    BYTE,
    MARGIN,
    OTHER,
    SPACE,
    STAMP,
    VECTOR,
    short_variable,
)
from busledger.decoder.capture.vcd_kernel import (
    FORCE,
    MODE,
    NORMAL,
    OK,
    OPEN,
    ROWS,
    SECTION,
    TIME,
    TOUCHES,
    lex,
    open_rows,
)
from busledger.decoder.inner_kernel import inner

_QUIET = 64  # rows in which no line changed for the first time, after which it is asked whether any has not


@inner(_nrt=False)
def lay_unknown(now, masks, variable, gone):
    """The unknown bits of one variable: all of them, or none."""
    for w in range(now.shape[1]):
        now[1, w] ^= (now[1, w] ^ gone) & masks[variable, w]


@inner(_nrt=False)
def lex_common_four(buf, at, stop, state, now, last, ids, common, rows, width):
    """``vcd_fast_kernel.lex_common`` with ``now`` and ``last`` of two to four words; ``width`` as ``lex_four`` has it:
    what is only for the third and fourth word is not compiled for two."""
    role, sizes = common.role, common.var_width
    four_scalar = common.four_scalar
    masks, shift = common.four_masks, common.four_shift
    time, levels, unknown, touch_row, touch_mask = rows
    words = len(width)
    third, fourth = min(2, words - 1), min(3, words - 1)  # a word that is not there is the last one, with masks of 0
    v0, v1, v2, v3 = now[0, 0], now[0, 1], now[0, third], now[0, fourth]
    t0, t1, t2, t3 = now[2, 0], now[2, 1], now[2, third], now[2, fourth]
    lost = False
    for w in range(words):
        lost = lost or now[1, w] != 0 or last[1, w] != 0
    ticks, row, touched = state[TIME], state[ROWS], True
    if lost and state[OPEN] == 0:
        open_rows(state, unknown, row)
    opened = state[OPEN] != 0
    safe = stop - MARGIN
    none, every = np.uint64(0), ~np.uint64(0)
    digits, kept, begun, begin, lead = np.int64(0), none, none, none, np.int64(0)  # as ``lex_common`` has them
    raised, stamped = state[FORCE] != 0, False
    watched, quiet = True, 0
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
                differs = v0 != last[0, 0] or v1 != last[0, 1]
                if len(width) > 2:
                    differs = differs or (words > 2 and v2 != last[0, 2]) or (words > 3 and v3 != last[0, 3])
                if opened:
                    for w in range(words):
                        unknown[row, w] = now[1, w]
                if lost:
                    lost = False
                    for w in range(words):
                        differs = differs or now[1, w] != last[1, w]
                        last[1, w] = now[1, w]
                        lost = lost or now[1, w] != 0
                if touched:
                    news = t0 != last[2, 0] or t1 != last[2, 1]
                    news = news or (words > 2 and t2 != last[2, 2]) or (words > 3 and t3 != last[2, 3])
                    if news:
                        differs = True
                        k = state[TOUCHES]
                        touch_row[k] = row
                        touch_mask[k, fourth], touch_mask[k, third], touch_mask[k, 1], touch_mask[k, 0] = t3, t2, t1, t0
                        last[2, fourth], last[2, third], last[2, 1], last[2, 0] = t3, t2, t1, t0
                        state[TOUCHES] = k + 1
                    touched, quiet = False, 0
                elif watched:
                    quiet += 1
                    if quiet == _QUIET:
                        watched = False
                        for variable in range(masks.shape[0]):
                            watched = watched or masks[variable, 0] & ~t0 != 0 or masks[variable, 1] & ~t1 != 0
                            if len(width) > 2:
                                watched = watched or masks[variable, 2] & ~t2 != 0 or masks[variable, 3] & ~t3 != 0
                time[row] = ticks
                if len(width) > 2:
                    levels[row, fourth], levels[row, third] = v3, v2
                    last[0, fourth], last[0, third] = v3, v2
                levels[row, 1], levels[row, 0] = v1, v0
                last[0, 1], last[0, 0] = v1, v0
                row += np.int64(differs)
                ticks = value
            at = end + 1
        elif what <= OTHER:
            if what == SPACE:
                at += 1
                continue
            variable, end = short_variable(buf, at + 1, window >> EIGHT, stop, role, ids)
            if variable < 0 or role[buf[end]] != SPACE:
                break
            if four_scalar[variable] == 0:
                break
            at = end + 1
            m0, m1 = masks[variable, 0], masks[variable, 1]
            if len(width) > 2:
                m2, m3 = masks[variable, 2], masks[variable, 3]
            x = none if what == OTHER else none - (c & np.uint64(1))
            v0 = (v0 & ~m0) | (x & m0)
            v1 = (v1 & ~m1) | (x & m1)
            if len(width) > 2:
                v2 = (v2 & ~m2) | (x & m2)
                v3 = (v3 & ~m3) | (x & m3)
            if watched:
                fresh = (m0 & ~t0) | (m1 & ~t1)
                if len(width) > 2:
                    fresh |= (m2 & ~t2) | (m3 & ~t3)
                if fresh != 0:
                    t0, t1, touched = t0 | m0, t1 | m1, True
                    if len(width) > 2:
                        t2, t3 = t2 | m2, t3 | m3
            if what == OTHER or lost:
                if not opened:
                    open_rows(state, unknown, row)
                    opened = True
                lay_unknown(now, masks, variable, every if what == OTHER else none)
                lost = True
        elif what == VECTOR:
            bits, end = fast_bits(buf, at + 1, stop)
            count = end - at - 1
            if count == 0 or end == stop or buf[end] != 32:
                break
            if end + 1 >= safe:
                break
            variable, code_end = short_variable(buf, end + 1, load64(buf, end + 1), stop, role, ids)
            if variable < 0 or shift[variable] < 0 or count > sizes[variable] or role[buf[code_end]] != SPACE:
                break
            at = code_end + 1
            m0, m1 = masks[variable, 0], masks[variable, 1]
            if len(width) > 2:
                m2, m3 = masks[variable, 2], masks[variable, 3]
            if sizes[variable] == 1:  # one bit may be shown by several lines
                x = none - bits
            else:
                # Turned to its place: what leaves one word above is where the next one has it.
                place = np.uint64(shift[variable])
                x = (bits << place) | (bits >> ((np.uint64(64) - place) & np.uint64(63)))
            v0 ^= (v0 ^ x) & m0
            v1 ^= (v1 ^ x) & m1
            if len(width) > 2:
                v2 ^= (v2 ^ x) & m2
                v3 ^= (v3 ^ x) & m3
            if watched:
                fresh = (m0 & ~t0) | (m1 & ~t1)
                if len(width) > 2:
                    fresh |= (m2 & ~t2) | (m3 & ~t3)
                if fresh != 0:
                    t0, t1, touched = t0 | m0, t1 | m1, True
                    if len(width) > 2:
                        t2, t3 = t2 | m2, t3 | m3
            if lost:
                lay_unknown(now, masks, variable, none)
        else:
            break
    if len(width) > 2:
        now[0, fourth], now[0, third] = v3, v2
        now[2, fourth], now[2, third] = t3, t2
    now[0, 1], now[0, 0] = v1, v0
    now[2, 1], now[2, 0] = t1, t0
    state[TIME], state[ROWS] = ticks, row
    if stamped:
        state[SECTION] = 0
    return at


@njit(cache=True, nogil=True, _nrt=False)
def lex_four(buf, at, stop, carried, lines, rows, gaps, width):
    """``vcd_kernel.lex`` for two to four words of lines: the same arguments, rows, status and position. ``width``: a
    tuple as long as a row has words, for lengths that the compiler knows."""
    state, now, last = carried
    while True:
        if state[MODE] == NORMAL:
            at = lex_common_four(buf, at, stop, state, now, last, lines.ids, lines.common, rows, width)
        tokens = -1 if at >= stop - MARGIN else 1
        before = at
        status, at = lex(buf, at, stop, tokens, carried, lines, rows, gaps)
        if status != OK or tokens == -1 or at == before:
            return status, at
