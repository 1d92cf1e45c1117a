"""When a suspect could have failed, when it did, and under what circumstances: tallied in one pass."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Circumstances", "Occurrence"]

AGE_BINS = 64  # one an octave of ticks
MOST_SWITCHING = 64
KINDS = 16
UNKNOWN_KIND = KINDS - 1


@dataclass(slots=True)
class Circumstances:
    """The reads in which one suspect's fault, active, would have shown, in time order; parallel arrays of length n.

    Attributes
    ----------
    time : int64, ticks
    failed : bool
    address : uint32
    expected, known : uint32, levels that were due and which of them are known
    previous_kind : uint8, ``Kind`` of the access before, UNKNOWN_KIND at the start
    switching : uint8, lines of address and data that switched for this access
    age : int64, ticks since the cell was written, -1 unknown
    moved : bool, the access before went to another region
    """

    time: NDArray[np.int64]
    failed: NDArray[np.bool_]
    address: NDArray[np.uint32]
    expected: NDArray[np.uint32]
    known: NDArray[np.uint32]
    previous_kind: NDArray[np.uint8]
    switching: NDArray[np.uint8]
    age: NDArray[np.int64]
    moved: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.time.shape[0])


@dataclass
class Occurrence:
    """Failures against accesses, by window of equal accesses and by every circumstance.

    Tables hold [accesses, failures] in their last axis. ``total`` is how many
    accesses there will be in all, so that windows of equal size can be cut while they pass.
    """

    total: int
    windows: int
    address_bits: int = 32
    lanes: int = 32
    seen: int = 0
    failures: int = 0
    runs: int = 0
    first: int | None = None
    last: int | None = None
    in_window: NDArray[np.int64] = field(init=False)
    window_start: NDArray[np.int64] = field(init=False)
    end: int = 0
    _failing: bool = False

    def __post_init__(self) -> None:
        self.in_window = np.zeros((self.windows, 2), np.int64)
        self.window_start = np.full(self.windows, -1, np.int64)
        self.by_address = np.zeros((self.address_bits, 2, 2), np.int64)
        self.by_lane = np.zeros((self.lanes, 2, 2), np.int64)
        self.by_kind = np.zeros((KINDS, 2), np.int64)
        self.by_switching = np.zeros((MOST_SWITCHING + 1, 2), np.int64)
        self.by_age = np.zeros((AGE_BINS, 2), np.int64)
        self.by_moved = np.zeros((2, 2), np.int64)

    def feed(self, block: Circumstances) -> None:
        """Add accesses; blocks come in time order."""
        n = len(block)
        if n == 0:
            return
        failed = block.failed
        self._count_windows(block.time, failed)
        self._count_runs(block.time, failed)
        for bit in range(self.address_bits):
            _count(self.by_address[bit], (block.address >> np.uint32(bit)) & np.uint32(1), failed)
        for lane in range(self.lanes):
            sure = ((block.known >> np.uint32(lane)) & np.uint32(1)) != 0
            level = (block.expected >> np.uint32(lane)) & np.uint32(1)
            _count(self.by_lane[lane], level[sure], failed[sure])
        _count(self.by_kind, block.previous_kind, failed)
        _count(self.by_switching, np.minimum(block.switching, MOST_SWITCHING), failed)
        aged = block.age > 0
        octave = np.log2(np.maximum(block.age[aged], 1).astype(np.float64)).astype(np.int64)
        _count(self.by_age, np.minimum(octave, AGE_BINS - 1), failed[aged])
        _count(self.by_moved, block.moved, failed)

    def _count_windows(self, time: NDArray[np.int64], failed: NDArray[np.bool_]) -> None:
        window = (np.arange(self.seen, self.seen + len(time)) * self.windows) // max(self.total, 1)
        window = np.minimum(window, self.windows - 1)
        _count(self.in_window, window, failed)
        opened, at = np.unique(window, return_index=True)
        fresh = self.window_start[opened] < 0
        self.window_start[opened[fresh]] = time[at[fresh]]
        self.seen += len(time)
        self.end = int(time[-1])

    def _count_runs(self, time: NDArray[np.int64], failed: NDArray[np.bool_]) -> None:
        before = np.concatenate([[self._failing], failed[:-1]])
        self.runs += int(np.count_nonzero(failed & ~before))
        self._failing = bool(failed[-1])
        bad = np.flatnonzero(failed)
        if len(bad):
            self.failures += len(bad)
            self.first = int(time[bad[0]]) if self.first is None else self.first
            self.last = int(time[bad[-1]])


def _count(table: NDArray[np.int64], key: NDArray[Any], failed: NDArray[np.bool_]) -> None:
    """Add accesses and failures by ``key`` (integers below the table's length)."""
    table[:, 0] += np.bincount(key, minlength=len(table))
    table[:, 1] += np.bincount(key[failed], minlength=len(table))
