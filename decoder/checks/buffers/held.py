"""Reads beside what the bus would have kept, of a capture too short to compile a kernel for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.buffers import buffer_kernel as kernel
from busledger.decoder.checks.buffers.arrays import Carried

__all__ = ["FEW_READS", "held_few"]

FEW_READS = 1 << 15
"""Cycles of a capture up to which numpy counts: more are worth the 0.3 s that the kernel takes to be compiled."""
_BYTE = np.uint32(255)


def held_few(
    role: NDArray[np.int8], before: np.uint32, cycles: Carried, lanes: NDArray[np.int64], table: NDArray[np.int64],
    words: NDArray[np.int64],
) -> int:  # fmt: skip
    """As ``buffer_kernel.held_lanes``, in whole columns."""
    address = cycles.address
    if not len(address):
        return 0
    again = address == np.concatenate((np.array([before], np.uint32), address[:-1]))
    counts = np.flatnonzero((role == kernel.SERVED_READ) & ~again)
    address, data, hidden, kept = (column[counts] for column in cycles)
    for place, lane in enumerate(lanes.tolist()):
        bit = np.uint32(lane)
        known = (hidden >> bit & np.uint32(1)) == 0
        both = (kept >> bit & np.uint32(1)) * np.uint32(2) + (data >> bit & np.uint32(1))
        table[place] += np.bincount(both[known], minlength=4).reshape(2, 2)
    every = np.uint32(sum(1 << lane for lane in set(lanes.tolist())))
    whole = (hidden & every) == 0
    address, data, kept = address[whole], data[whole] & every, kept[whole] & every
    same = int(np.count_nonzero(data == kept))
    table[-1, :, 1] += len(data) - same, same
    words[0] += np.bincount(_folded(kept), minlength=256)
    words[1] += np.bincount(_folded(data), minlength=256)
    return int(np.count_nonzero((data ^ (address >> np.uint32(8))) & every & _BYTE == 0))


def _folded(word: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The bytes of each word laid over each other."""
    half = word ^ (word >> np.uint32(16))
    found: NDArray[np.uint32] = (half ^ (half >> np.uint32(8))) & _BYTE
    return found
