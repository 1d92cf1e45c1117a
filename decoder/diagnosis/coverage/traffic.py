"""Counts over all transfers of a capture, also those outside every region.

A lane that is stuck on the bus itself is stuck for opcode fetches, for other
regions and for the processor's own writes. These counts are what parts a bus
lane from a buffer lane, and a buffer lane from a chip.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import READ_KINDS, WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.coverage.traffic_kernel import BY_VALUE, count_levels

__all__ = ["TrafficCounter", "count_few"]

# Transfers of a block, and of them those of which a lane is not known, up to which numpy counts. More of them are worth
# the 0.4 s that the kernel takes to be compiled, of a short capture most of what it saves.
_FEW, _FEW_UNKNOWN = 1 << 16, 1 << 10

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
            _DIRECTION[cycles.kind],
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
    bits = np.arange(256)[:, None] >> np.arange(lanes) & 1
    pairs = np.triu(bits[:, :, None] ^ bits[:, None, :], 1)
    flat_high, flat_low, flat_differ = high.reshape(-1, lanes), low.reshape(-1, lanes), differ.reshape(-1, lanes, lanes)
    counted = direction <= 1
    spot = np.where(region < 0, rows - 1, region).astype(np.int64) * 2 + direction
    value = (data & 255).astype(np.int64)
    hidden = unknown & np.uint32((1 << lanes) - 1)

    whole = counted & (hidden == 0)
    often = np.bincount(spot[whole] * 256 + value[whole], minlength=rows * 2 * 256).reshape(-1, 256)
    flat_high += often @ bits
    flat_low += often @ (1 - bits)
    flat_differ += (often @ pairs.reshape(256, -1)).reshape(-1, lanes, lanes)
    values |= often.reshape(rows, 2, 256).any(axis=0)

    some = np.flatnonzero(counted & (hidden != 0))
    seen = 1 - (hidden[some, None] >> np.arange(lanes, dtype=np.uint32) & 1).astype(np.int64)
    np.add.at(flat_high, spot[some], bits[value[some]] * seen)
    np.add.at(flat_low, spot[some], (1 - bits[value[some]]) * seen)
    np.add.at(flat_differ, spot[some], pairs[value[some]] * (seen[:, :, None] * seen[:, None, :]))
    told = some[unknown[some] & 255 == 0]
    values[direction[told], value[told]] = True
