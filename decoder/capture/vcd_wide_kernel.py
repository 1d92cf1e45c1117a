"""``vcd_fast_kernel`` for more than 256 selected lines: the same tokens, levels kept in arrays."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.capture.load_kernel import fast_bits, fast_number, load64
from busledger.decoder.capture.vcd_fast_kernel import BYTE, MARGIN, OTHER, SPACE, STAMP, VECTOR, code_variable
from busledger.decoder.capture.vcd_kernel import FORCE, MODE, NORMAL, OK, SECTION, TIME, lex, write_row
from busledger.decoder.inner_kernel import inner


@inner(_nrt=False)
def lex_common_wide(buf, at, stop, state, now, last, ids, common, rows):
    """``vcd_fast_kernel.lex_common`` with ``now`` and ``last`` of any number of words."""
    role, one_mask, one_plain, var_mask, var_shift, var_width, one_word, var_word = common[:8]
    safe = stop - MARGIN
    none = np.uint64(0)
    while at < safe:
        window = load64(buf, at)
        c = window & BYTE
        what = role[c]
        if what <= OTHER:
            if what == SPACE:
                at += 1
                continue
            code = (window >> np.uint64(8)) & BYTE
            if one_plain[code] and role[(window >> np.uint64(16)) & BYTE] == SPACE:
                m, w = one_mask[code], one_word[code]
                at += 3
            else:
                variable, end = code_variable(buf, at + 1, stop, ids)
                if variable < 0 or var_shift[variable] < 0 or var_width[variable] != 1 or role[buf[end]] != SPACE:
                    break
                m, w = var_mask[variable], var_word[variable]
                at = end + 1
            now[2, w] |= m
            if what == OTHER:
                now[1, w] |= m
                now[0, w] &= ~m
            else:
                now[1, w] &= ~m
                now[0, w] = (now[0, w] & ~m) | (m & (none - (c & np.uint64(1))))
        elif what == STAMP:
            value, end = fast_number(buf, at + 1)
            if end == at + 1 or role[buf[end]] != SPACE or value < state[TIME] or state[FORCE] != 0:
                break
            state[SECTION] = 0
            if value > state[TIME]:
                write_row(state, now, last, rows)
                state[TIME] = value
            at = end + 1
        elif what == VECTOR:
            bits, end = fast_bits(buf, at + 1, stop)
            count = end - at - 1
            if count == 0 or end == stop or buf[end] != 32:
                break
            variable, code_end = code_variable(buf, end + 1, stop, ids)
            if variable < 0 or var_shift[variable] < 0 or count > var_width[variable] or role[buf[code_end]] != SPACE:
                break
            m, w = var_mask[variable], var_word[variable]
            fresh = (none - bits) if var_width[variable] == 1 else bits << np.uint64(var_shift[variable])
            now[0, w] = (now[0, w] & ~m) | (fresh & m)
            now[1, w] &= ~m
            now[2, w] |= m
            at = code_end + 1
        else:
            break
    return at


@njit(cache=True, nogil=True, _nrt=False)
def lex_wide(buf, at, stop, carried, lines, rows, gaps):
    """``vcd_kernel.lex`` for any number of lines: the same arguments, rows, status and position."""
    state, now, last = carried
    while True:
        if state[MODE] == NORMAL:
            at = lex_common_wide(buf, at, stop, state, now, last, lines.ids, lines.common, rows)
        tokens = -1 if at >= stop - MARGIN else 1
        before = at
        status, at = lex(buf, at, stop, tokens, carried, lines, rows, gaps)
        if status != OK or tokens == -1 or at == before:
            return status, at
