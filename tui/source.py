"""Where the browser's rows come from: single rows for the screen, whole columns for searches.

Searches are generators that look at one chunk at a time and say how far they
are, so that a worker can show progress and stop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import Capture
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.store import DETAIL_ROWS, Store, StoreFacts
from busledger.tui.filters import Filter, matches
from busledger.tui.timeline import Coarse, rows_moved

__all__ = ["CHUNK", "CycleRow", "CycleSource", "Match", "StoreSource", "find_edge", "find_match", "select_rows"]

CHUNK = 1 << 18

Match = Callable[[Cycles, Compared], NDArray[np.bool_]]
"""Takes a block of cycles and the ledger's word on them, gives one bool a cycle."""


@dataclass(frozen=True, slots=True)
class CycleRow:
    """One cycle as plain numbers; the fields are those of ``Cycles`` and ``Compared``, time in ticks."""

    index: int
    sample: int
    time: int
    kind: int
    address: int
    address_unknown: int
    data: int
    data_unknown: int
    kept: int
    region: int
    flags: int
    rule: int
    verdict: int
    expected: int
    known: int
    mismatch: int
    writer: int


class CycleSource(Protocol):
    """What screens and searches need of a decoded capture."""

    @property
    def facts(self) -> StoreFacts: ...
    @property
    def total(self) -> int: ...
    @property
    def cycles(self) -> Cycles: ...
    @property
    def compared(self) -> Compared: ...
    @property
    def capture(self) -> Capture: ...
    @property
    def moved(self) -> NDArray[np.uint64]: ...
    @property
    def coarse(self) -> Coarse: ...
    @property
    def mismatch_rows(self) -> NDArray[np.int64]: ...
    def row(self, index: int) -> CycleRow: ...
    def at_time(self, ticks: int) -> int: ...


class StoreSource:
    """A ``CycleSource`` over a mapped store; nothing is read before it is asked for."""

    def __init__(self, store: Store) -> None:
        self._store = store

    @property
    def facts(self) -> StoreFacts:
        """What the columns mean."""
        return self._store.facts

    @property
    def total(self) -> int:
        """Number of cycles."""
        return len(self._store.cycles)

    @property
    def cycles(self) -> Cycles:
        """All cycles' columns, mapped."""
        return self._store.cycles

    @property
    def compared(self) -> Compared:
        """The ledger's columns, mapped."""
        return self._store.compared

    @property
    def capture(self) -> Capture:
        """The rows of levels, mapped."""
        return self._store.capture

    @property
    def moved(self) -> NDArray[np.uint64]:
        """Which lines moved in each ``DETAIL_ROWS`` rows of levels."""
        return self._store.moved

    @property
    def coarse(self) -> Coarse:
        """What a picture of very many rows is drawn from."""
        return Coarse(self._store.coarse, self._store.cycles_before)

    @property
    def mismatch_rows(self) -> NDArray[np.int64]:
        """Cycles that are mismatches, rising."""
        return self._store.mismatch_rows

    def row(self, index: int) -> CycleRow:
        """One cycle. ``index`` must be in range."""
        c, d = self._store.cycles, self._store.compared
        return CycleRow(
            index,
            int(c.sample[index]),
            int(c.time[index]),
            int(c.kind[index]),
            int(c.address[index]),
            int(c.address_unknown[index]),
            int(c.data[index]),
            int(c.data_unknown[index]),
            int(c.kept[index]),
            int(c.region[index]),
            int(c.flags[index]),
            int(c.rule[index]),
            int(d.verdict[index]),
            int(d.expected[index]),
            int(d.known[index]),
            int(d.mismatch[index]),
            int(d.writer[index]),
        )

    def at_time(self, ticks: int) -> int:
        """The cycle whose sampling edge is nearest to that time; 0 where there are no cycles."""
        time = self._store.cycles.time
        after = int(np.searchsorted(time, ticks))
        if after == 0 or (after < len(time) and int(time[after]) - ticks <= ticks - int(time[after - 1])):
            return after
        return after - 1


def find_match(source: CycleSource, match: Match, start: int, step: int) -> Iterator[tuple[int, int | None]]:
    """The next cycle after ``start`` (before it for step -1) that matches, without wrapping.

    Yields ``(cycles looked at, None)`` after each chunk and last ``(…, found)``;
    a search that finds nothing ends without a found row.
    """
    looked = 0
    at = start + step
    while 0 <= at < source.total:
        low, high = (at, min(at + CHUNK, source.total)) if step > 0 else (max(0, at + 1 - CHUNK), at + 1)
        hits = np.flatnonzero(match(source.cycles.slice(low, high), source.compared.slice(low, high)))
        looked += high - low
        if len(hits):
            yield looked, low + int(hits[0] if step > 0 else hits[-1])
            return
        yield looked, None
        at = high if step > 0 else low - 1


def select_rows(source: CycleSource, wanted: Filter) -> Iterator[tuple[int, NDArray[np.uint32] | None]]:
    """All cycles that pass the filter, rising: ``(cycles looked at, None)`` a chunk, last ``(…, rows)``.

    A span of time costs nothing: cycles are in order of time, so its ends are found by halving.
    """
    low, high = 0, source.total
    if wanted.time is not None:
        low = int(np.searchsorted(source.cycles.time, wanted.time[0], "left"))
        high = int(np.searchsorted(source.cycles.time, wanted.time[1], "right"))
    parts: list[NDArray[np.uint32]] = []
    for at in range(low, high, CHUNK):
        end = min(at + CHUNK, high)
        hits = np.flatnonzero(matches(wanted, source.cycles.slice(at, end), source.compared.slice(at, end)))
        parts.append((hits + at).astype(np.uint32))
        yield end - low, None
    yield high - low, np.concatenate(parts) if parts else np.empty(0, np.uint32)


def find_edge(
    capture: Capture, moved: NDArray[np.uint64], bits: Sequence[int], ticks: int, step: int
) -> Iterator[tuple[int, int | None]]:
    """The time of the next change of any of these lines after ``ticks`` (the last before it for step -1).

    A change to or from unknown counts. Yields as ``find_match``, rows for cycles and ticks for the found one. Only the
    groups of rows that ``moved`` says it lies in are looked at row by row.
    """
    mask = np.zeros(capture.levels.shape[1], np.uint64)
    for bit in bits:
        mask[bit // 64] |= np.uint64(1 << bit % 64)
    at = int(np.searchsorted(capture.time, ticks, "right" if step > 0 else "left"))
    # Row r changes the line if it differs from row r - 1; row 0 changes nothing.
    low, high = (max(at, 1), len(capture)) if step > 0 else (1, at)
    if low >= high:
        return
    groups = slice(low // DETAIL_ROWS, -(-high // DETAIL_ROWS))
    hits = np.flatnonzero((moved[groups] & mask).any(axis=1)) + groups.start
    # The first group may have moved before the range alone; then the second is the one.
    for group in (hits if step > 0 else hits[::-1])[:2].tolist():
        first, last = max(low, group * DETAIL_ROWS), min(high, (group + 1) * DETAIL_ROWS)
        rows = first + np.flatnonzero((rows_moved(capture, first, last) & mask).any(axis=1))
        if len(rows):
            yield high - low, int(capture.time[rows[0] if step > 0 else rows[-1]])
            return
    yield high - low, None
