"""Rests of strobes in a block too short to compile a kernel for, and those that the end of a capture cuts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.probes import lost_kernel as kernel

__all__ = ["ended", "rest_of_few", "settled"]


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


def rest_of_few(
    time: NDArray[np.int64], levels: NDArray[np.uint64], masks: Sequence[NDArray[np.uint64]], words: NDArray[np.int64],
    places: NDArray[np.uint64], before: NDArray[np.uint64], since: NDArray[np.int64], total: NDArray[np.int64],
    rests: NDArray[np.int64],
) -> None:  # fmt: skip
    """What ``lost_kernel.rest`` does, of one block or more rows; ``masks``: of the address, of the write strobes."""
    if not total[kernel.T_BEGUN]:
        total[kernel.T_BEGUN] = 1
        before[:] = levels[0]
        since[:, kernel.S_TIME] = time[0]
    changed = levels ^ np.concatenate((before[None], levels[:-1]))
    counted = zip(masks, (kernel.T_MOVES, kernel.T_WRITES), strict=True)
    moves, writes = (total[of] + np.cumsum(_any_of(changed, mask)) for mask, of in counted)
    for line, (word, place) in enumerate(zip(words, places, strict=True)):
        at = np.flatnonzero(changed[:, word] & place)
        if not len(at):
            continue
        now = np.stack((time[at], moves[at], writes[at]), axis=1)
        begun = np.concatenate((since[line][None], now[:-1]))
        high = (levels[at, word] & place) == 0  # before the change
        for level in (0, 1):
            mine = np.flatnonzero(high == level)
            row = rests[2 * line + level]
            moved = now[mine, kernel.S_MOVES] - begun[mine, kernel.S_MOVES]
            lengths = np.concatenate((row[[kernel.R_LONGEST, kernel.R_SECOND]], moved))
            longest = int(np.argmax(lengths))  # the first of several
            row[kernel.R_SECOND] = np.delete(lengths, longest).max()
            if longest < 2:
                continue
            row[kernel.R_LONGEST] = lengths[longest]
            first, last = begun[mine[longest - 2]], now[mine[longest - 2]]
            row[kernel.R_FROM], row[kernel.R_TO] = first[kernel.S_TIME], last[kernel.S_TIME]
            row[kernel.R_WRITES] = last[kernel.S_WRITES] - first[kernel.S_WRITES]
        since[line] = now[-1]
    before[:] = levels[-1]
    total[[kernel.T_MOVES, kernel.T_WRITES, kernel.T_LAST]] = moves[-1], writes[-1], time[-1]


def _any_of(changed: NDArray[np.uint64], mask: NDArray[np.uint64]) -> NDArray[np.bool_]:
    """Of each row, whether a line of ``mask`` is among those that changed."""
    found = np.zeros(len(changed), np.bool_)
    for word in np.flatnonzero(mask):
        found |= (changed[:, word] & mask[word]) != 0
    return found
