"""Rows of levels and the cycles they belong to, brought together across blocks.

A cycle is judged on the rows between the sampling edge before it and the one
after it. Cycles arrive a little later than their rows, and rows of the next
cycle later still, so this keeps what is not yet judged and nothing more: the
memory is one block and a few thousand rows, whatever the capture's length.
Every block size gives the same windows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import RuleStrobes
from busledger.decoder.checks.placing import place_cycles
from busledger.decoder.checks.span_kernel import strobe_spans

__all__ = ["NOT_KNOWN", "CycleJoin", "Joined", "ReadyRows", "SeenStrobes", "Windows"]
REACH_ROWS = 1 << 14
"""A window never reaches further than this from its sampling edge; a bus cycle has some tens of rows."""


@dataclass(slots=True)
class ReadyRows:
    """Contiguous rows of levels, as ``Capture`` holds them."""

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]


class SeenStrobes(NamedTuple):
    """What is known of each cycle by the rows of its block: ``at``, ``begin`` int64 (k,), -1 where they lie elsewhere
    or the strobe is not shown; ``moved`` uint64 (k, words) where ``begin`` is known. As ``Joined`` has them."""

    at: NDArray[np.int64]
    begin: NDArray[np.int64]
    moved: NDArray[np.uint64]

    def since(self, first: int) -> SeenStrobes:
        """Those from cycle ``first`` on."""
        return SeenStrobes(self.at[first:], self.begin[first:], self.moved[first:])


NOT_KNOWN = SeenStrobes(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, 0), np.uint64))
"""Of no cycle."""


@dataclass(slots=True)
class Joined:
    """Cycles whose windows are complete.

    Attributes
    ----------
    rows : the rows that the windows lie in
    cycles : the k cycles to judge
    before, at, after : int64, shape (k,), indices into ``rows``: the sampling
        edge of the cycle before, of this one, and of the next one (or as far
        as the window reaches; ``after`` may be ``len(rows.time)``)
    begin, end : int64, shape (k,): the row in which this cycle's strobe began, and the
        one in which it ended; equal where the capture does not show the strobe
    moved : uint64, shape (k, words): lines that were unknown or moved in the strobe or as it began
    """

    rows: ReadyRows
    cycles: Cycles
    before: NDArray[np.int64]
    at: NDArray[np.int64]
    after: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    moved: NDArray[np.uint64]

    def __len__(self) -> int:
        return int(self.at.shape[0])

    @property
    def windows(self) -> Windows:
        """The rows and where the windows lie in them, as the kernels take them."""
        rows = self.rows
        return Windows(
            rows.time, rows.levels, rows.unknown, self.before, self.at, self.after, self.begin, self.end, self.moved
        )  # fmt: skip


class Windows(NamedTuple):
    """The rows of levels, and each cycle's window in them: see ``Joined``."""

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    before: NDArray[np.int64]
    at: NDArray[np.int64]
    after: NDArray[np.int64]
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    moved: NDArray[np.uint64]


class CycleJoin:
    """Feeds blocks and cycles in, gives complete windows out."""

    def __init__(self, strobes: RuleStrobes) -> None:
        self._strobes = strobes
        words = strobes.mask.shape[1]
        self._store = ReadyRows(np.zeros(0, np.int64), np.zeros((0, words), np.uint64), np.zeros((0, words), np.uint64))
        self._length = 0
        self._forget = 0
        self._pending = Cycles.empty()
        self._last_time: int | None = None

    def feed(self, block: Capture, cycles: Cycles, told: SeenStrobes = NOT_KNOWN) -> list[Joined]:
        """The cycles that became complete with this block: those that reach back behind it, with copies of the few rows
        around its border, then the others, with the rows of the block itself. ``told``: of these
        cycles, or of none, as ``SelectsSeen.fill`` has it."""
        first, border = self._inside(block, cycles)
        if first < 0:
            self._append(block)
            self._wait_for(cycles)
            return self._take(last=False)
        found = []
        if first:
            self._append(block.slice(0, border))
            self._wait_for(cycles.slice(0, first + 1))
            found += self._take(last=False)
        self._store, self._length, self._forget = ReadyRows(block.time, block.levels, block.unknown), len(block), 0
        self._pending = cycles.slice(first, len(cycles))
        found += self._take(last=False, told=told.since(first))
        kept, store = slice(self._forget, self._length), self._store
        self._store = ReadyRows(store.time[kept].copy(), store.levels[kept].copy(), store.unknown[kept].copy())
        self._length, self._forget = len(self._store.time), 0
        return found

    def finish(self, cycles: Cycles | None = None) -> list[Joined]:
        """What is left, the last window ending with the capture."""
        if cycles is not None:
            self._wait_for(cycles)
        return self._take(last=True)

    def _inside(self, block: Capture, cycles: Cycles) -> tuple[int, int]:
        """(the first cycle whose window lies in the block, how many rows of it those before need); -1 where only the
        last one could."""
        if not len(block) or len(cycles) < 2:
            return -1, 0
        if not len(self._pending) and self._length == self._forget and self._last_time is None:
            return 0, 0
        # The window of a cycle begins with the edge of the one before it.
        first = max(1, int(np.searchsorted(cycles.time, block.time[0], side="left")) + 1)
        if first >= len(cycles):
            return -1, 0
        border = int(np.searchsorted(block.time, cycles.time[first], side="left")) + 1
        return (first, border) if border <= len(block) else (-1, 0)

    def _wait_for(self, cycles: Cycles) -> None:
        if len(cycles):
            self._pending = Cycles.concat([self._pending, cycles]) if len(self._pending) else cycles

    def _append(self, block: Capture) -> None:
        store, kept = self._store, self._length - self._forget
        needed = kept + len(block)
        if needed > len(store.time):
            size = max(needed + needed // 4, 1024)
            bigger = ReadyRows(
                np.empty(size, np.int64),
                np.empty((size, store.levels.shape[1]), np.uint64),
                np.empty((size, store.levels.shape[1]), np.uint64),
            )
        else:
            bigger = store
        parts = ((store.time, bigger.time, block.time), (store.levels, bigger.levels, block.levels))
        for old, new, fresh in (*parts, (store.unknown, bigger.unknown, block.unknown)):
            new[:kept] = old[self._forget : self._length].copy() if new is old else old[self._forget : self._length]
            new[kept:needed] = fresh
        self._store, self._length, self._forget = bigger, needed, 0

    def _take(self, last: bool, told: SeenStrobes = NOT_KNOWN) -> list[Joined]:
        store, pending, n = self._store, self._pending, self._length
        rows = ReadyRows(store.time[:n], store.levels[:n], store.unknown[:n])
        count = len(pending)
        edges = np.empty(count + 2, np.int64)  # each edge ends one window and begins the next
        at = edges[1:-1]
        furthest = _place(rows.time, pending, told.at, at)
        # The last cycle waits for the next one, unless that is further off than a window reaches.
        ready = count if last else max(count - 1, 0)
        if not last and count and n - int(at[-1]) > 2 * REACH_ROWS:
            ready = count
        if not ready:
            # Cycles lag their rows by less than a window's reach.
            self._trim(int(at[0]) if count else n - REACH_ROWS)
            return []
        edges[0] = 0 if self._last_time is None else np.searchsorted(rows.time, self._last_time, side="left")
        edges[-1] = n
        waiting = int(at[ready]) if count > ready else n - REACH_ROWS
        before, at, after = edges[:ready], edges[1 : ready + 1], edges[2 : ready + 2]
        if max(furthest, at[0] - before[0], after[-1] - at[-1]) > REACH_ROWS:
            before, after = np.maximum(before, at - REACH_ROWS), np.minimum(after, at + REACH_ROWS)
        begin, end = np.empty(ready, np.int64), np.empty(ready, np.int64)
        judged = pending.slice(0, ready)
        moved = told.moved[:ready] if len(told.begin) else np.empty((ready, rows.levels.shape[1]), np.uint64)
        strobe_spans(
            (rows.time, rows.levels.reshape(-1), rows.unknown.reshape(-1)), judged.rule, before, at, after,
            self._strobes, told.begin, begin, end, moved, True,
        )  # fmt: skip
        joined = Joined(rows, judged, before, at, after, begin, end, moved)
        self._last_time = int(pending.time[ready - 1])
        self._pending = pending.slice(ready, count).take(np.arange(count - ready))
        self._trim(waiting)
        return [joined]

    def _trim(self, first_waiting: int) -> None:
        """Marks rows that no later window can reach; the next block takes their place."""
        time = self._store.time[: self._length]
        last = 0 if self._last_time is None else int(np.searchsorted(time, self._last_time, side="left"))
        self._forget = min(max(last, first_waiting - REACH_ROWS, 0), self._length)


def _place(rows: NDArray[np.int64], cycles: Cycles, known: NDArray[np.int64], at: NDArray[np.int64]) -> int:
    """As ``place_cycles``, of cycles whose rows may be ``known``; returns the most rows from one cycle to the next, or
    to the first one."""
    if not len(at):
        return 0
    if len(known) and known[0] >= 0:
        at[:] = known
    else:
        place_cycles(rows, cycles, at)
    return int(max(at[0], np.diff(at).max(initial=0)))
