"""Counts over all transfers of a capture, also those outside every region.

A lane that is stuck on the bus itself is stuck for opcode fetches, for other
regions and for the processor's own writes. These counts are what parts a bus
lane from a buffer lane, and a buffer lane from a chip.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import READ_KINDS, WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.coverage.traffic_kernel import count_levels

__all__ = ["TrafficCounter"]

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
        count_levels(
            _DIRECTION[cycles.kind],
            cycles.region,
            cycles.data,
            cycles.data_unknown,
            self.high,
            self.low,
            self.differ,
            self.values,
        )
