"""A condition on levels, looked up in the tables that ``compiling`` made of it. Three values: 1 holds, 0 does not, -1
unknown."""

import numpy as np
from numba import njit

from busledger.decoder.inner_kernel import INNER

# Columns of ``lit`` that say where a line's word stands: among the planes of a span, or among the words of a row.
IN_PLANES, IN_ROW = 0, 1
# 2^64 / golden ratio: multiplied by it, words differ in their top bits, which number the slots of a memory.
SPREAD = np.uint64(0x9E3779B97F4A7C15)
HALF, SLOT_SHIFT = np.uint64(32), np.uint64(56)


@njit(**INNER, _nrt=False)
def holds(number, levels, unknown, base, place, expr, term, lit):
    """Expression ``number`` on the words from ``base`` on, where column ``place`` of ``lit`` says: 1, 0 or -1."""
    if number < 0:
        return 1 if number == -1 else 0
    doubt = False
    for n in range(expr[number], expr[number + 1]):
        value = 1
        for k in range(term[n], term[n + 1]):
            here, mask = base + np.int64(lit[k, place]), lit[k, 2]
            open_bits = unknown[here] & mask
            if (levels[here] ^ lit[k, 3]) & mask & ~open_bits:
                value = 0
                break
            if open_bits:
                value = -1
        if value == 1:
            return 1
        if value == -1:
            doubt = True
    return -1 if doubt else 0
