"""Cycles as bytes of text: one compiled pass a block, no objects.

Both kernels write rows into a buffer that the caller has made large enough
(``cycle_list.row_bytes``) and return the number of bytes written, or -1 - row
for the first row that might not have fitted.

What both are handed is in ``arrays.py``: columns, the form of figures, tables of words.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import INNER

HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8).copy()

# Verdicts of reads that were compared, and the two rows that hold no expectation of a read.
NOT_TAKEN = 0
WRITE = 1
AGREES = 2
MISMATCH = 3


@nb.njit(**INNER, _nrt=False)
def put_number(out, at, value):
    """Decimal digits of ``value`` >= 0; the position after them."""
    width = 1
    rest = value
    while rest >= 10:
        rest //= 10
        width += 1
    for k in range(width):
        out[at + width - 1 - k] = 48 + value % 10
        value //= 10
    return at + width


@nb.njit(**INNER, _nrt=False)
def put_padded(out, at, value, width):
    """The last ``width`` decimal digits of ``value``, with leading zeros."""
    for k in range(width):
        out[at + width - 1 - k] = 48 + value % 10
        value //= 10
    return at + width


@nb.njit(**INNER)
def put_time(out, at, ticks, form):
    """Exact seconds: 9 decimals if whole nanoseconds say it, else ``digits``. No overflow within 292 years."""
    tick_ns, tick_rest, digits = form.tick_ns, form.tick_rest, form.digits
    thousands = ticks // 1_000_000
    left = ticks - thousands * 1_000_000
    low = left * tick_rest
    nanoseconds = ticks * tick_ns + thousands * tick_rest + low // 1_000_000
    femtoseconds = low % 1_000_000
    at = put_number(out, at, nanoseconds // 1_000_000_000)
    out[at] = 46
    at = put_padded(out, at + 1, nanoseconds % 1_000_000_000, 9)
    if femtoseconds == 0:
        return at
    for _ in range(15 - digits):
        femtoseconds //= 10
    return put_padded(out, at, femtoseconds, digits - 9)


@nb.njit(**INNER, _nrt=False)
def put_hex(out, at, value, unknown, nibbles):
    """Upper-case hex, zero-padded; ``?`` for a nibble with an unknown bit."""
    for k in range(nibbles):
        shift = np.uint32(4 * (nibbles - 1 - k))
        if (unknown >> shift) & np.uint32(15):
            out[at + k] = 63
        else:
            out[at + k] = HEX[(value >> shift) & np.uint32(15)]
    return at + nibbles


@nb.njit(**INNER)
def put_word(out, at, words, which):
    """Word ``which`` of a table of words."""
    for k in range(words.start[which], words.start[which + 1]):
        out[at] = words.text[k]
        at += 1
    return at


@nb.njit(cache=True, nogil=True, _nrt=False)
def csv_rows(cycles, verdicts, form, words, row_bytes, out):
    """Rows ``index,time_s,kind,address,data,region,expected,mismatch,flags`` with line feeds."""
    number, time, kind, address, address_unknown, data, data_unknown, region, flags = cycles
    verdict, expected, known, mismatch = verdicts
    address_nibbles, data_nibbles, data_mask = form.address_nibbles, form.data_nibbles, form.data_mask
    at = 0
    for i in range(number.shape[0]):
        if at + row_bytes > out.shape[0]:
            return -1 - i
        at = put_number(out, at, number[i])
        out[at] = 44
        at = put_time(out, at + 1, time[i], form)
        out[at] = 44
        at = put_word(out, at + 1, words.kinds, kind[i])
        out[at] = 44
        at = put_hex(out, at + 1, address[i], address_unknown[i], address_nibbles)
        out[at] = 44
        at = put_hex(out, at + 1, data[i], data_unknown[i], data_nibbles)
        out[at] = 44
        at = put_word(out, at + 1, words.regions, region[i] + 1)
        out[at] = 44
        at += 1
        if verdict[i] != NOT_TAKEN and verdict[i] != WRITE and known[i] & data_mask:
            at = put_hex(out, at, expected[i], ~known[i] & data_mask, data_nibbles)
        out[at] = 44
        at += 1
        if verdict[i] == AGREES or verdict[i] == MISMATCH:
            at = put_hex(out, at, mismatch[i], np.uint32(0), data_nibbles)
        out[at] = 44
        at = put_word(out, at + 1, words.flags, flags[i])
        out[at] = 10
        at += 1
    return at


@nb.njit(**INNER, _nrt=False)
def put_json_bits(out, at, value, unknown, mask, nibbles):
    """A number; text with ``?`` where some bits are unknown; null where all are."""
    unknown &= mask
    if unknown == 0:
        return put_number(out, at, np.int64(value))
    if unknown == mask:
        out[at] = 110
        out[at + 1] = 117
        out[at + 2] = 108
        out[at + 3] = 108
        return at + 4
    out[at] = 34
    at = put_hex(out, at + 1, value, unknown, nibbles)
    out[at] = 34
    return at + 1


@nb.njit(cache=True, nogil=True, _nrt=False)
def jsonl_rows(cycles, verdicts, form, words, row_bytes, out):
    """One JSON object a row with the fields of ``csv_rows``."""
    number, time, kind, address, address_unknown, data, data_unknown, region, flags = cycles
    verdict, expected, known, mismatch = verdicts
    address_nibbles, data_nibbles = form.address_nibbles, form.data_nibbles
    address_mask, data_mask = form.address_mask, form.data_mask
    at = 0
    everything = ~np.uint32(0)
    for i in range(number.shape[0]):
        if at + row_bytes > out.shape[0]:
            return -1 - i
        at = put_number(out, put_word(out, at, words.keys, 0), number[i])
        at = put_word(out, at, words.keys, 1)
        at = put_time(out, at, time[i], form)
        at = put_word(out, at, words.keys, 2)
        at = put_word(out, at, words.kinds, kind[i])
        at = put_word(out, at, words.keys, 3)
        at = put_json_bits(out, at, address[i], address_unknown[i], address_mask, address_nibbles)
        at = put_word(out, at, words.keys, 4)
        at = put_json_bits(out, at, data[i], data_unknown[i], data_mask, data_nibbles)
        at = put_word(out, at, words.keys, 5)
        at = put_word(out, at, words.regions, region[i] + 1)
        at = put_word(out, at, words.keys, 6)
        unread = verdict[i] == NOT_TAKEN or verdict[i] == WRITE
        at = put_json_bits(out, at, expected[i], everything if unread else ~known[i], data_mask, data_nibbles)
        at = put_word(out, at, words.keys, 7)
        compared = verdict[i] == AGREES or verdict[i] == MISMATCH
        at = put_json_bits(out, at, mismatch[i], np.uint32(0) if compared else everything, data_mask, data_nibbles)
        at = put_word(out, at, words.keys, 8)
        at = put_word(out, at, words.flags, flags[i])
        at = put_word(out, at, words.keys, 9)
    return at
