"""The accesses of one chip: its region's rows, narrowed to its lanes."""

from __future__ import annotations

import itertools
import weakref
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP

__all__ = ["Counts", "LeafCount", "count_reads", "narrowed", "region_rows"]

Counts = NDArray[np.int64]


def _nothing() -> Counts:
    return np.zeros(WINDOWS, np.int64)


@dataclass(frozen=True)
class LeafCount:
    """What the lanes of one chip (or one lane of it) showed.

    ``reads``: compared; ``wrong``: of them wrong; ``events``, ``right``: int64[WINDOWS], wrong reads that do not
    merely repeat the cell's last read, and right ones; ``by_itself``: events though the cell's last access was a
    read that gave something else, or there was none, so that no write can have been bent; ``came_back``: right
    reads though the cell's last access was a read that came wrong, so that nothing can have changed that stayed;
    ``again_by_itself``: wrong reads that repeat such an event by itself, which no bent write explains either;
    ``right_again``, ``wrong_again``: int64[WINDOWS], right reads whose cell's last access was a read, so that they say
    nothing new of how it was written; and wrong reads that are no news.
    """

    reads: int
    wrong: int
    events: Counts
    right: Counts
    by_itself: int = 0
    came_back: int = 0
    again_by_itself: int = 0
    right_again: Counts = field(default_factory=_nothing)
    wrong_again: Counts = field(default_factory=_nothing)

    @cached_property
    def event_count(self) -> int:
        """Wrong reads that are news."""
        return int(self.events.sum())

    @cached_property
    def log_slips(self) -> float:
        """What it costs the idea that what is wrong lies in the cells, that it came or went without a write."""
        return (self.by_itself + self.came_back) * LOG_SLIP

    @cached_property
    def right_count(self) -> int:
        """Right reads."""
        return int(self.right.sum())

    def news(self, strays: int) -> int:
        """How many of ``strays`` wrong reads are likely news, at the share that all of them have."""
        return -(-max(0, strays) * self.event_count // self.wrong) if self.wrong else 0


def region_rows(rows: Rows, regions: int) -> list[Rows]:
    """The rows of each region."""
    order = np.argsort(rows.region, kind="stable")
    edges = np.searchsorted(rows.region[order], np.arange(regions + 1))
    mine = [order[first:last] for first, last in itertools.pairwise(edges.tolist())]
    return [rows if len(one) == len(rows) else rows.take(one) for one in mine]


def narrowed(rows: Rows, mask: int) -> Rows:
    """The same rows, compared on ``mask`` only; a wrong read is news unless the cell's last access was a read that
    gave the same on these lanes."""
    lanes = np.uint32(mask)
    wrong = rows.wrong & lanes
    event = np.zeros(len(rows), np.uint8)
    bad = np.flatnonzero(wrong)
    if len(bad):
        last = _before(rows)[bad]
        repeat = (last >= 0) & (((rows.data[last] ^ rows.data[bad]) & lanes) == 0)
        repeat &= (rows.wrong[last] & lanes) == wrong[bad]  # nothing is wrong with a write
        event[bad[~repeat]] = 1
    return rows.judged(rows.expected, rows.compared & lanes, wrong, event)


def count_reads(rows: Rows) -> LeafCount:
    """Counts of rows that are narrowed already."""
    compared = rows.compared != 0
    bad = rows.wrong != 0
    events = rows.by_window(rows.event != 0)
    right = rows.by_window(compared & ~bad)
    if not bad.any():
        return LeafCount(int(np.count_nonzero(compared)), 0, events, right)
    last = _before(rows)
    read_before = (last >= 0) & ~rows.is_write[last]
    by_itself = (read_before | (last < 0)) & (rows.event != 0)
    right_again = read_before & compared & ~bad
    came_back = int(np.count_nonzero(right_again & bad[last]))
    wrong_again = bad & (rows.event == 0)
    return LeafCount(
        int(np.count_nonzero(compared)), int(np.count_nonzero(bad)), events, right, int(np.count_nonzero(by_itself)),
        came_back, _repeats_of(rows, by_itself), rows.by_window(right_again), rows.by_window(wrong_again),
    )  # fmt: skip


def _repeats_of(rows: Rows, news: NDArray[np.bool_]) -> int:
    """Wrong reads that are no news, and repeat one of ``news``."""
    order = np.argsort(rows.cell, kind="stable")
    event = rows.event[order] != 0
    last = np.maximum.accumulate(np.where(event, np.arange(len(order)), -1))
    again = np.flatnonzero((rows.wrong[order] != 0) & ~event & (last >= 0))
    return int(np.count_nonzero(news[order[last[again]]]))


_known: dict[int, tuple[weakref.ref[NDArray[np.int32]], NDArray[np.int64]]] = {}
"""Of the columns of cells that are still there. A chip's rows are narrowed to each of its lanes again and again."""


def _before(rows: Rows) -> NDArray[np.int64]:
    """The row of each cell's access before, -1 where there is none."""
    cell, key = rows.cell, id(rows.cell)
    if (known := _known.get(key)) is not None and known[0]() is cell:
        return known[1]
    order = np.argsort(cell, kind="stable")
    before = np.full(len(rows), -1, np.int64)
    same = cell[order[1:]] == cell[order[:-1]]
    before[order[1:][same]] = order[:-1][same]
    _known[key] = weakref.ref(cell, lambda gone: _forget(key, gone)), before
    return before


def _forget(key: int, gone: weakref.ref[NDArray[np.int32]]) -> None:
    if (known := _known.get(key)) is not None and known[0] is gone:
        del _known[key]
