"""What unnamed channels do, cycle by cycle: the ground on which a wiring is proposed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Bits", "Cycles2D", "Ints", "Table", "cycles_of", "latched", "packed", "regularity", "spans_of", "unpack"]

Bits = NDArray[np.bool_]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Table:
    """``time`` int64 (rows,), ticks; ``high`` bool (rows, channels); ``moved`` int32 (rows, channels), changes so far;
    ``inset`` ticks of doubt around an edge."""

    time: Ints
    high: Bits
    moved: NDArray[np.int32]
    inset: int

    @classmethod
    def of(cls, time: Ints, high: Bits, inset: int) -> Table:
        """A table with its changes counted."""
        moved = np.zeros(high.shape, np.int32, order="F")
        for channel in range(high.shape[1]):
            np.cumsum(high[1:, channel] != high[:-1, channel], out=moved[1:, channel])
        return cls(time, high, moved, inset)

    def active(self, channel: int, low: bool) -> Bits:
        """bool (rows,): where a channel is asserted."""
        return ~self.high[:, channel] if low else self.high[:, channel]

    @property
    def channels(self) -> int:
        return int(self.high.shape[1])


@dataclass(frozen=True, slots=True)
class Cycles2D:
    """One row a span: bool (cycles, channels) levels at its ``middle`` and ``end``, and what moved ``inside`` it;
    ``address`` are the levels in which an address is looked for: the middle, or what a latch took before."""

    start: Ints
    stop: Ints
    middle: Bits
    end: Bits
    inside: Bits
    address: Bits

    def __len__(self) -> int:
        return int(self.start.shape[0])


def unpack(levels: NDArray[np.uint64], channels: int) -> Bits:
    """bool (rows, channels) from uint64 (rows, words); channel k is bit k%64 of word k//64."""
    out = np.empty((levels.shape[0], channels), bool, order="F")
    for k in range(channels):
        out[:, k] = (levels[:, k // 64] >> np.uint64(k % 64)) & np.uint64(1)
    return out


def spans_of(table: Table, active: Bits) -> tuple[Ints, Ints]:
    """(first row, row of the end) of every whole span in which ``active`` holds."""
    padded = np.concatenate([[False], active, [False]])
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    first, end = edges[::2], edges[1::2]
    whole = (first > 0) & (end < len(table.time))
    return first[whole].astype(np.int64), end[whole].astype(np.int64)


def regularity(table: Table, channel: int) -> tuple[int, float]:
    """(rising edges, spread): the share of periods that lie more than a quarter from the median; 1.0 for too few."""
    level = table.high[:, channel]
    rises = np.flatnonzero(level[1:] & ~level[:-1]) + 1
    if len(rises) < 32:
        return len(rises), 1.0
    periods = np.diff(table.time[rises])
    median = float(np.median(periods))
    return len(rises), float(np.mean(np.abs(periods - median) > max(0.25 * median, table.inset)))


def cycles_of(table: Table, first: Ints, end: Ints) -> Cycles2D:
    """Levels of all channels in the spans first:end (rows), read clear of the spans' ends."""
    start, stop = table.time[first], table.time[end]
    half = (stop - start) // 2
    inset = np.minimum(table.inset, half // 2)
    last = stop - np.maximum(inset, 1)
    at_low = np.maximum(np.searchsorted(table.time, start + inset, side="right") - 1, 0)
    at_high = np.maximum(np.searchsorted(table.time, last, side="right") - 1, at_low)
    middle = np.searchsorted(table.time, start + half, side="right") - 1
    inside = table.moved[at_high] != table.moved[at_low]
    levels = table.high[middle]
    return Cycles2D(start, stop, levels, table.high[at_high], inside, levels)


def latched(table: Table, cycles: Cycles2D, active: Bits) -> Bits:
    """bool (cycles, channels): levels at the last end of ``active`` before each cycle, read clear of that edge."""
    ends = table.time[spans_of(table, active)[1]]
    at = ends[np.maximum(np.searchsorted(ends, cycles.start + table.inset, side="right") - 1, 0)]
    row = np.searchsorted(table.time, at - max(table.inset, 1), side="right") - 1
    return table.high[np.maximum(row, 0)]


def packed(bits: Bits, channels: Sequence[int]) -> Ints:
    """int64 (rows,): the chosen channels as one number each, the first as bit 0."""
    value = np.zeros(bits.shape[0], np.int64)
    for place, channel in enumerate(channels):
        value |= bits[:, channel].astype(np.int64) << place
    return value
