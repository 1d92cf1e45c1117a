"""The rests that the end of a capture cuts: they count, too."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.probes import lost_kernel as kernel

__all__ = ["ended", "settled"]


def settled(bits: NDArray[np.int64], state: NDArray[np.int64]) -> NDArray[np.int64]:
    """``bits`` as ``lost_kernel.look`` left them, with what rests at the end; TO, LEVEL, COUNT as of any other rest."""
    bits, places = bits.copy(), np.arange(len(bits))
    address = places < kernel.ADDRESSES
    hidden, word = ((state[which] >> places & 1) == 1 for which in (kernel.STATE_HIDDEN, kernel.STATE_WORD))
    last = np.where(address, state[kernel.STATE_ADDRESS_TIME], state[kernel.STATE_DATA_TIME])
    bits[~hidden, kernel.TO] = last[~hidden]
    bits[:, kernel.LEVEL] = word
    bits[:, kernel.COUNT] = np.where(address, state[kernel.STATE_ADDRESSES], state[kernel.STATE_DATA]) - bits[
        :, kernel.COUNT
    ]
    bits[address, kernel.ODD] = state[kernel.STATE_ODD] - bits[address, kernel.ODD]
    shown = bits[:, kernel.SHOWN] + bits[:, kernel.FRESH]
    more = shown > bits[:, kernel.BEST + kernel.SHOWN] + bits[:, kernel.BEST + kernel.FRESH]
    other = np.where(more, bits[:, kernel.BEST + kernel.COUNT], bits[:, kernel.COUNT])
    bits[:, kernel.OTHER] = np.maximum(bits[:, kernel.OTHER], other)
    bits[more, kernel.BEST : 2 * kernel.BEST] = bits[more, : kernel.BEST]
    return bits


def ended(
    high: NDArray[np.bool_], since: NDArray[np.int64], total: NDArray[np.int64], rests: NDArray[np.int64]
) -> NDArray[np.int64]:
    """``rests`` as ``lost_kernel.rest`` left them, with what rests at the end, each line ``high`` or low."""
    rests, row = rests.copy(), 2 * np.arange(len(high)) + high
    moved = total[kernel.T_MOVES] - since[:, kernel.S_MOVES]
    longer = moved > rests[row, kernel.R_LONGEST]
    rests[row, kernel.R_SECOND] = np.where(
        longer, rests[row, kernel.R_LONGEST], np.maximum(rests[row, kernel.R_SECOND], moved)
    )
    edges = total[kernel.T_WRITES] - since[:, kernel.S_WRITES]
    of_end = {
        kernel.R_LONGEST: moved, kernel.R_FROM: since[:, kernel.S_TIME], kernel.R_TO: total[kernel.T_LAST] + 0 * moved,
        kernel.R_WRITES: edges, kernel.R_OPEN: 1 + 0 * moved,
    }  # fmt: skip
    for column, found in of_end.items():
        rests[row[longer], column] = found[longer]
    return rests
