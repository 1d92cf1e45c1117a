"""Counts over all transfers of a capture, also those outside every region.

A lane that is stuck on the bus itself is stuck for opcode fetches, for other
regions and for the processor's own writes. These counts are what parts a bus
lane from a buffer lane, and a buffer lane from a chip.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import READ_KINDS, WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.coverage.traffic_kernel import BY_VALUE, count_levels

__all__ = ["TrafficCounter", "count_few"]

# Transfers of a block, and of them those of which a lane is not known, up to which numpy counts. More of them are worth
# the 0.4 s that the kernel takes to be compiled, of a short capture most of what it saves.
_FEW, _FEW_UNKNOWN = 1 << 15, 1 << 10

_DIRECTION = np.full(len(Kind), 2, np.uint8)
for _kind in (*READ_KINDS, Kind.INT_ACK):
    _DIRECTION[_kind] = 0
for _kind in WRITE_KINDS:
    _DIRECTION[_kind] = 1


class TrafficCounter:
    """Streaming counts per region, direction and lane.

    Parameters
    ----------
    regions : number of regions; row ``regions`` (the last) counts what lies outside all
    data_bits : width of the data bus

    Attributes
    ----------
    high, low : int64, shape (regions + 1, 2, data_bits); direction 0 = reads (and
        interrupt acknowledge), 1 = writes
    differ : int64, shape (regions + 1, 2, data_bits, data_bits); transfers in which
        lanes i < j were both known and carried different levels
    values : bool, shape (2, 256); which values of D0-D7 were seen, fully known
    """

    def __init__(self, regions: int, data_bits: int) -> None:
        self.data_bits = data_bits
        self.high: NDArray[np.int64] = np.zeros((regions + 1, 2, data_bits), np.int64)
        self.low: NDArray[np.int64] = np.zeros((regions + 1, 2, data_bits), np.int64)
        self.differ: NDArray[np.int64] = np.zeros((regions + 1, 2, data_bits, data_bits), np.int64)
        self.values: NDArray[np.bool_] = np.zeros((2, 256), np.bool_)

    def feed(self, cycles: Cycles) -> None:
        """Add one block; ``cycles.region`` must be filled (-1 = outside)."""
        wired = np.uint32((1 << self.data_bits) - 1)
        few = self.data_bits <= BY_VALUE and len(cycles) <= _FEW
        few = few and int(np.count_nonzero(cycles.data_unknown & wired)) <= _FEW_UNKNOWN
        (count_few if few else count_levels)(
            _DIRECTION.take(cycles.kind),
            cycles.region,
            cycles.data,
            cycles.data_unknown,
            self.high,
            self.low,
            self.differ,
            self.values,
        )


def count_few(
    direction: NDArray[np.uint8], region: NDArray[np.int16], data: NDArray[np.uint32], unknown: NDArray[np.uint32],
    high: NDArray[np.int64], low: NDArray[np.int64], differ: NDArray[np.int64], values: NDArray[np.bool_],
) -> None:  # fmt: skip
    """As ``count_levels``, without a kernel; of a bus of up to ``BY_VALUE`` lanes."""
    rows, _, lanes = high.shape
    bits, pairs, told_by = _by_value(lanes)
    flat_high, flat_low, flat_differ = high.reshape(-1, lanes), low.reshape(-1, lanes), differ.reshape(-1, lanes, lanes)
    value = data & np.uint32(255)
    spot = np.where(region < 0, np.int16(rows - 1), region).astype(np.uint32)
    spot *= np.uint32(2)
    spot += direction
    hidden = unknown & np.uint32((1 << lanes) - 1)

    place = (spot << np.uint32(8)) | value
    odd = np.flatnonzero((direction > 1) | (hidden != 0))
    place[odd] = rows * 512  # behind all that are counted
    often = np.bincount(place.astype(np.intp), minlength=rows * 512 + 1)[:-1].reshape(-1, 256)
    # Whole numbers below 2^53, so exact in any order; of integers numpy multiplies tables fifty times slower.
    sums = (often.astype(np.float64) @ told_by).astype(np.int64)
    flat_high += sums[:, :lanes]
    flat_low += sums[:, lanes : 2 * lanes]
    flat_differ += sums[:, 2 * lanes :].reshape(-1, lanes, lanes)
    values |= often.reshape(rows, 2, 256).any(axis=0)

    some = odd[direction[odd] <= 1]
    if not len(some):
        return
    seen = 1 - (hidden[some, None] >> np.arange(lanes, dtype=np.uint32) & 1).astype(np.int64)
    np.add.at(flat_high, spot[some], bits[value[some]] * seen)
    np.add.at(flat_low, spot[some], (1 - bits[value[some]]) * seen)
    np.add.at(flat_differ, spot[some], pairs[value[some]] * (seen[:, :, None] * seen[:, None, :]))
    told = some[unknown[some] & 255 == 0]
    values[direction[told], value[told]] = True


@lru_cache(maxsize=BY_VALUE)
def _by_value(lanes: int) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Of each of 256 values the levels of its lanes, which pairs of them differ, and for sums over many values in one
    table: high, low, and the pairs in a row."""
    bits = np.arange(256)[:, None] >> np.arange(lanes) & 1
    pairs = np.triu(bits[:, :, None] ^ bits[:, None, :], 1)
    return bits, pairs, np.hstack([bits, 1 - bits, pairs.reshape(256, -1)]).astype(np.float64)
