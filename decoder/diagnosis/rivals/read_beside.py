"""What was read beside the memory, address by address: when first, when last, and what the first read gave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import LatchWrites

__all__ = ["ReadBeside"]

_DENSE = 1 << 20  # addresses below it are looked up in a table, which is there in a tenth of the time, others sorted


@dataclass(frozen=True, slots=True)
class ReadBeside:
    """Different addresses, in the order in which they were first read, int64 arrays: ``address``, what the first read
    gave (``data``), ticks of the first and of the last read. ``reads``: all of them, in time order."""

    address: NDArray[np.int64]
    data: NDArray[np.int64]
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    reads: LatchWrites

    @classmethod
    def of(cls, reads: LatchWrites) -> ReadBeside:
        """Those of reads in time order; transfers with devices in a space of their own are left out."""
        mine = reads.io == 0
        time, address, data = reads.time[mine], reads.address[mine], reads.data[mine]
        last = _last_of(address)
        first = len(address) - 1 - _last_of(address[::-1])
        order = np.argsort(first)
        first, last = first[order], last[order]
        return cls(address[first], data[first], time[first], time[last], reads)

    def steady(self, first: int, last: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(address, byte), int64, of the addresses that gave the same at every time but between these ticks."""
        then = (self.reads.time > first) & (self.reads.time <= last)
        there = (self.reads.io == 0) & ~then
        address, data = self.reads.address[there], self.reads.data[there]
        order = np.argsort(address, kind="stable")
        address, data = address[order], data[order]
        if not len(address):
            return address, data
        start = np.flatnonzero(np.concatenate([[True], address[1:] != address[:-1]]))
        least, most = np.minimum.reduceat(data, start), np.maximum.reduceat(data, start)
        return address[start][least == most], least[least == most]


def _last_of(address: NDArray[np.int64]) -> NDArray[np.int64]:
    """Where each different address stands for the last time, by address."""
    if len(address) and address.max() < _DENSE:
        at = np.full(int(address.max()) + 1, -1)
        at[address] = np.arange(len(address))  # of several the last one stays
        return at[at >= 0]
    return len(address) - 1 - np.unique(address[::-1], return_index=True)[1]
