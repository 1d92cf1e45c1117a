"""Eight bytes at a time: unaligned loads, decimal and binary digits.

The digit arithmetic is the common one for eight ASCII digits in a 64-bit word,
lowest address in the lowest byte (little-endian machines only, as numba's
targets here are).
"""

from __future__ import annotations

import numba
import numpy as np
from numba import njit, types
from numba.extending import intrinsic

from busledger.decoder.bits_kernel import trailing
from busledger.decoder.inner_kernel import inner

EIGHT = np.uint64(8)
ZEROS = np.uint64(0x3030303030303030)
TOPS = np.uint64(0x8080808080808080)
ONES = np.uint64(0x0101010101010101)
NINES = np.uint64(0x7676767676767676)
POWERS = np.array([10**k for k in range(9)], np.int64)


@intrinsic
def _load64(typing_context, array, index):
    """uint64 at byte ``index`` of a contiguous uint8 array, without a bounds check."""

    def build(context, builder, signature, values):
        made = context.make_array(signature.args[0])(context, builder, values[0])
        at = builder.gep(made.data, [values[1]])
        wide = builder.bitcast(at, context.get_value_type(types.uint64).as_pointer())
        return builder.load(wide, align=1)

    return types.uint64(array, types.int64), build


if getattr(numba.config, "DISABLE_JIT", 0):

    def load64(buf, at):
        """The eight bytes from ``at``, lowest first."""
        return np.uint64(int.from_bytes(bytes(buf[at : at + 8]), "little"))

else:

    @njit(cache=True, nogil=True, _nrt=False)
    def load64(buf, at):
        """The eight bytes from ``at``, lowest first."""
        return _load64(buf, np.int64(at))


@inner(_nrt=False)
def eight_digits(nibbles):
    """The number whose eight decimal digits are the bytes of ``nibbles``, lowest byte leading."""
    pairs = nibbles * np.uint64(10) + (nibbles >> EIGHT)
    low = (pairs & np.uint64(0x000000FF000000FF)) * np.uint64(0x000F424000000064)
    high = ((pairs >> np.uint64(16)) & np.uint64(0x000000FF000000FF)) * np.uint64(0x0000271000000001)
    return np.int64((low + high) >> np.uint64(32))


@inner(_nrt=False)
def not_digits(nibbles):
    """A mask whose lowest set bit lies in the first byte above 9."""
    return ((nibbles + NINES) | nibbles) & TOPS


@njit(cache=True, nogil=True, _nrt=False)
def fast_number(buf, at):
    """(value, end) of up to 15 decimal digits at ``at``; end == at if there are none or more.

    Reads 16 bytes from ``at``.
    """
    first = load64(buf, at) ^ ZEROS
    stop = not_digits(first)
    if stop != 0:
        n = np.int64(trailing(stop) >> np.uint64(3))
        if n == 0:
            return np.int64(0), at
        return eight_digits(first << np.uint64(64 - 8 * n)), at + n
    second = load64(buf, at + 8) ^ ZEROS
    stop = not_digits(second)
    if stop == 0:
        return np.int64(0), at
    n = np.int64(trailing(stop) >> np.uint64(3))
    value = eight_digits(first)
    if n > 0:
        value = value * POWERS[n] + eight_digits(second << np.uint64(64 - 8 * n))
    return value, at + 8 + n


@njit(cache=True, nogil=True, _nrt=False)
def fast_bits(buf, at, stop):
    """(value, end) of the binary digits at ``at``, at most 64; end is the first byte that is none.

    Stops eight bytes short of ``stop``; more than 64 digits end after the 64th.
    """
    value = np.uint64(0)
    limit = at + 64
    while at + 8 <= stop and at < limit:
        bits = load64(buf, at) ^ ZEROS
        other = bits & ~ONES
        if other == 0:
            value = (value << EIGHT) | ((bits * np.uint64(0x8040201008040201)) >> np.uint64(56))
            at += 8
            continue
        n = np.int64(trailing(other) >> np.uint64(3))
        if n > 0:
            bits = (bits << np.uint64(64 - 8 * n)) & ONES
            value = (value << np.uint64(n)) | ((bits * np.uint64(0x8040201008040201)) >> np.uint64(56))
        return value, at + n
    return value, at
