"""Bits of a word, one by one."""

from __future__ import annotations

import numba
import numpy as np
from numba import njit, types
from numba.extending import intrinsic


@intrinsic
def _trailing(typing_context, value):
    """Trailing zero bits of a uint64; 64 for 0."""

    def build(context, builder, signature, values):
        return builder.cttz(values[0], context.get_constant(types.boolean, False))

    return types.uint64(types.uint64), build


@intrinsic
def _leading(typing_context, value):
    """Leading zero bits of a uint64; 64 for 0."""

    def build(context, builder, signature, values):
        return builder.ctlz(values[0], context.get_constant(types.boolean, False))

    return types.uint64(types.uint64), build


@intrinsic
def _ones(typing_context, value):
    """Set bits of a uint64."""

    def build(context, builder, signature, values):
        return builder.ctpop(values[0])

    return types.uint64(types.uint64), build


if getattr(numba.config, "DISABLE_JIT", 0):

    def trailing(value):
        """Trailing zero bits of a uint64; 64 for 0."""
        number = int(value)
        return np.uint64((number & -number).bit_length() - 1 if number else 64)

    def ones(value):
        """How many bits of a uint64 are set."""
        return np.int64(int(value).bit_count())

    def binary_digits(value):
        """How many binary digits a uint64 has; 0 for 0."""
        return np.int64(int(value).bit_length())

else:

    @njit(cache=True, nogil=True, _nrt=False)
    def binary_digits(value):
        """How many binary digits a uint64 has; 0 for 0."""
        return np.int64(64) - np.int64(_leading(value))

    @njit(cache=True, nogil=True, _nrt=False)
    def trailing(value):
        """Trailing zero bits of a uint64; 64 for 0."""
        return _trailing(value)

    @njit(cache=True, nogil=True, _nrt=False)
    def ones(value):
        """How many bits of a uint64 are set."""
        return np.int64(_ones(value))


@njit(cache=True, nogil=True, _nrt=False)
def lowest_bit(word):
    """The number of the lowest set bit of a uint64 that is not 0."""
    return np.int64(trailing(word))
