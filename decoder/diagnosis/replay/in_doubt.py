"""Accesses of which the clips do not tell the cell, as the replays are to take them.

A write that may have gone to any of several cells leaves none of them known, under any fault: it is given once for
each of them, as a write of which no lane is sure. A read that may have come from any of them teaches nothing, unless
the ledger, which knows what all of them hold, compared it. What the bus carried is known all the same.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger import MOST_COUNTED, Compared

__all__ = ["spread"]



def spread(
    cycles: Cycles, compared: Compared, is_write: NDArray[np.bool_], inside: NDArray[np.uint32]
) -> tuple[Cycles, Compared, NDArray[np.bool_]]:
    """The same block, a write in doubt once for each cell that it may have gone to; and bool a row: it teaches
    nothing of its cell.

    ``is_write`` bool a row; ``inside`` uint32 a region, and one more for rows in none: the address bits that tell its
    cells apart. Rows stay in time order; those of one write share its index. Of more than ``MOST_COUNTED`` bits
    nothing is made.
    """
    doubt = cycles.address_unknown & inside[cycles.region]
    rows = np.flatnonzero(doubt)
    if not len(rows):
        return cycles, compared, np.zeros(len(cycles), np.bool_)
    count = np.ones(len(cycles), np.int64)
    bits = np.bitwise_count(doubt)
    written = is_write & (doubt != 0) & (bits <= MOST_COUNTED)
    count[written] = 1 << bits[written].astype(np.int64)
    first = np.cumsum(count) - count
    source = np.repeat(np.arange(len(cycles)), count)
    cycles, compared = cycles.take(source), compared.take(source)
    number = (np.arange(len(source)) - first[source]).astype(np.uint32)
    to = written[source]
    cycles.address[to] = _deposited(cycles.address[to], doubt[source][to], number[to])
    return cycles, compared, to | (~is_write[source] & (doubt[source] != 0) & (compared.known == 0))


def _deposited(
    address: NDArray[np.uint32], doubt: NDArray[np.uint32], number: NDArray[np.uint32]
) -> NDArray[np.uint32]:
    """``address`` with its bits in ``doubt`` filled, from the lowest on, with those of ``number``."""
    found, left = address & ~doubt, doubt.copy()
    for k in range(MOST_COUNTED):
        lowest = left & (~left + np.uint32(1))
        found |= np.where(number >> np.uint32(k) & np.uint32(1) != 0, lowest, np.uint32(0))
        left ^= lowest
    return found
