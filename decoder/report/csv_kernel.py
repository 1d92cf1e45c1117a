"""Cycles as bytes of text: one compiled pass a block, no objects.

Both kernels write rows into a buffer that the caller has made large enough
(``cycle_list.row_bytes``) and return the number of bytes written, or -1 - row
for the first row that might not have fitted.

Arrays shared by both: the columns of ``Cycles`` and ``Compared`` (see there),
``number`` int64 (index of each cycle in the whole capture), and three tables of
words, each a flat uint8 array of text with int64 offsets (word k is
``text[start[k]:start[k + 1]]``): kinds, regions (word 0 is "outside all") and
combinations of flags. Times are exact: ``tick_ns`` and ``tick_rest`` are the
tick's whole nanoseconds and the femtoseconds left over, ``digits`` (9 to 15)
the decimals of a time that is no whole number of nanoseconds.
"""

from __future__ import annotations

import numba as nb
import numpy as np

from busledger.decoder.inner_kernel import inner

HEX = np.frombuffer(b"0123456789ABCDEF", np.uint8).copy()

# Verdicts of reads that were compared, and the two rows that hold no expectation of a read.
NOT_TAKEN = 0
WRITE = 1
AGREES = 2
MISMATCH = 3


@inner()
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


@inner()
def put_padded(out, at, value, width):
    """The last ``width`` decimal digits of ``value``, with leading zeros."""
    for k in range(width):
        out[at + width - 1 - k] = 48 + value % 10
        value //= 10
    return at + width


@inner()
def put_time(out, at, ticks, tick_ns, tick_rest, digits):
    """Exact seconds: 9 decimals if whole nanoseconds say it, else ``digits``. No overflow within 292 years."""
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


@inner()
def put_hex(out, at, value, unknown, nibbles):
    """Upper-case hex, zero-padded; ``?`` for a nibble with an unknown bit."""
    for k in range(nibbles):
        shift = np.uint32(4 * (nibbles - 1 - k))
        if (unknown >> shift) & np.uint32(15):
            out[at + k] = 63
        else:
            out[at + k] = HEX[(value >> shift) & np.uint32(15)]
    return at + nibbles


@inner()
def put_word(out, at, text, start, which):
    """Word ``which`` of a table of words."""
    for k in range(start[which], start[which + 1]):
        out[at] = text[k]
        at += 1
    return at


@nb.njit(cache=True, nogil=True)
def csv_rows(
    number, time, kind, address, address_unknown, data, data_unknown, region, flags,
    verdict, expected, known, mismatch,
    tick_ns, tick_rest, digits, address_nibbles, data_nibbles, data_mask,
    kind_text, kind_start, region_text, region_start, flag_text, flag_start, row_bytes, out,
):  # fmt: skip
    """Rows ``index,time_s,kind,address,data,region,expected,mismatch,flags`` with line feeds."""
    at = 0
    for i in range(number.shape[0]):
        if at + row_bytes > out.shape[0]:
            return -1 - i
        at = put_number(out, at, number[i])
        out[at] = 44
        at = put_time(out, at + 1, time[i], tick_ns, tick_rest, digits)
        out[at] = 44
        at = put_word(out, at + 1, kind_text, kind_start, kind[i])
        out[at] = 44
        at = put_hex(out, at + 1, address[i], address_unknown[i], address_nibbles)
        out[at] = 44
        at = put_hex(out, at + 1, data[i], data_unknown[i], data_nibbles)
        out[at] = 44
        at = put_word(out, at + 1, region_text, region_start, region[i] + 1)
        out[at] = 44
        at += 1
        if verdict[i] != NOT_TAKEN and verdict[i] != WRITE and known[i] & data_mask:
            at = put_hex(out, at, expected[i], ~known[i] & data_mask, data_nibbles)
        out[at] = 44
        at += 1
        if verdict[i] == AGREES or verdict[i] == MISMATCH:
            at = put_hex(out, at, mismatch[i], np.uint32(0), data_nibbles)
        out[at] = 44
        at = put_word(out, at + 1, flag_text, flag_start, flags[i])
        out[at] = 10
        at += 1
    return at


@inner()
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


@nb.njit(cache=True, nogil=True)
def jsonl_rows(
    number, time, kind, address, address_unknown, data, data_unknown, region, flags,
    verdict, expected, known, mismatch,
    tick_ns, tick_rest, digits, address_nibbles, data_nibbles, address_mask, data_mask,
    kind_text, kind_start, region_text, region_start, flag_text, flag_start, key_text, key_start,
    row_bytes, out,
):  # fmt: skip
    """One JSON object a row with the fields of ``csv_rows``; ``key_text`` holds what stands before each value."""
    at = 0
    everything = ~np.uint32(0)
    for i in range(number.shape[0]):
        if at + row_bytes > out.shape[0]:
            return -1 - i
        at = put_number(out, put_word(out, at, key_text, key_start, 0), number[i])
        at = put_word(out, at, key_text, key_start, 1)
        at = put_time(out, at, time[i], tick_ns, tick_rest, digits)
        at = put_word(out, at, key_text, key_start, 2)
        at = put_word(out, at, kind_text, kind_start, kind[i])
        at = put_word(out, at, key_text, key_start, 3)
        at = put_json_bits(out, at, address[i], address_unknown[i], address_mask, address_nibbles)
        at = put_word(out, at, key_text, key_start, 4)
        at = put_json_bits(out, at, data[i], data_unknown[i], data_mask, data_nibbles)
        at = put_word(out, at, key_text, key_start, 5)
        at = put_word(out, at, region_text, region_start, region[i] + 1)
        at = put_word(out, at, key_text, key_start, 6)
        unread = verdict[i] == NOT_TAKEN or verdict[i] == WRITE
        at = put_json_bits(out, at, expected[i], everything if unread else ~known[i], data_mask, data_nibbles)
        at = put_word(out, at, key_text, key_start, 7)
        compared = verdict[i] == AGREES or verdict[i] == MISMATCH
        at = put_json_bits(out, at, mismatch[i], np.uint32(0) if compared else everything, data_mask, data_nibbles)
        at = put_word(out, at, key_text, key_start, 8)
        at = put_word(out, at, flag_text, flag_start, flags[i])
        at = put_word(out, at, key_text, key_start, 9)
    return at
