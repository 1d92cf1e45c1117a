"""What the clipped selects showed at the moment of each access, for whoever weighs that access."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import Cycles, Layout, Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import READS, Setting, pins, relevant_mask, rule_strobes
from busledger.decoder.checks.placing import place_cycles
from busledger.decoder.checks.selects.seen_kernel import see_selects
from busledger.decoder.checks.span_kernel import strobe_spans
from busledger.decoder.checks.windows import NOT_KNOWN, ReadyRows, SeenStrobes
from busledger.decoder.ledger import Compared, Verdict

__all__ = ["SelectsSeen", "answered"]

REACH_ROWS = 1 << 12
"""A strobe is followed back no further than this; it has some tens of rows."""
_KEPT_ROWS = (1 << 16) + REACH_ROWS
"""A cycle is told no later than 65 536 rows after its edge (twice ``bus.tables.MOST_ROWS``)."""
_MOST_REGIONS = 64


def answered(cycles: Cycles, compared: Compared, regions: int) -> NDArray[np.int64]:
    """int64 (regions,): reads of each region that came back right although its select was seen quiet.

    Only reads that no idle bus gives count: neither what it carried before, nor one level on all lanes.
    """
    own = np.zeros(max(regions, _MOST_REGIONS) + 1, np.uint64)  # the last one: outside all regions
    own[:_MOST_REGIONS] = np.uint64(1) << np.arange(_MOST_REGIONS, dtype=np.uint64)
    quiet = own.take(cycles.region, mode="wrap")
    quiet &= compared.selects_seen
    quiet &= ~compared.selected
    rows = np.flatnonzero(quiet)
    if not len(rows):
        return np.zeros(regions, np.int64)
    data, shown, region = cycles.data[rows], compared.known[rows], cycles.region[rows]
    right = (compared.verdict[rows] == Verdict.AGREES) & READS[cycles.kind[rows]]
    right &= (region < _MOST_REGIONS) & ((data ^ cycles.kept[rows]) & shown != 0)
    right &= (data & shown != 0) & (~data & shown != 0)
    return np.bincount(region[right], minlength=regions)[:regions]


class SelectsSeen:
    """Fills ``Compared.selected`` and ``Compared.selects_seen``, block by block; any division gives the same.

    Parameters
    ----------
    board : its regions' selects; bit r stands for ``board.regions[r]``, those past the 64th have none
    profile, layout : the bus, and which lines are clipped
    tick_fs, grid_ticks : femtoseconds a tick; ticks a sample, None without a grid
    """

    def __init__(self, board: Board, profile: Profile, layout: Layout, tick_fs: int, grid_ticks: float | None) -> None:
        setting = Setting.of(layout, tick_fs, grid_ticks)
        self._skew = setting.skew_ticks
        self._strobes = rule_strobes(profile, setting)
        speaks: dict[str, int] = {}
        for index, region in enumerate(board.regions[:_MOST_REGIONS]):
            if region.select is not None and layout.wired(region.select):
                speaks[region.select] = speaks.get(region.select, 0) | 1 << index
        self._pins = pins(setting.names, tuple(speaks))
        self._watched = relevant_mask(setting.words, self._pins)
        self._active = np.array([board.select_level(line) for line in speaks], np.int64)
        self._region = np.array(list(speaks.values()), np.uint64)
        none = np.zeros((0, layout.words), np.uint64)
        self._before = ReadyRows(np.zeros(0, np.int64), none, none)  # the last rows before the block

    def __bool__(self) -> bool:
        """Whether any select is clipped."""
        return len(self._pins) > 0

    def fill(self, block: Capture, cycles: Cycles, compared: Compared) -> SeenStrobes:
        """Write the two columns of ``compared`` in place; ``block`` holds the levels up to here.

        Returns where the strobes lie in the block; nothing where no select is clipped.
        """
        if not self:
            return NOT_KNOWN
        # Cycles that reach back behind the block are told by the rows around its border, which are few; the others
        # by the block as it is.
        here = ReadyRows(block.time, block.levels, block.unknown)
        count, n = len(cycles), len(cycles)
        places = np.empty((2, n), np.int64)
        told = SeenStrobes(places[0], places[1], np.empty((n, len(self._watched)), np.uint64))
        if len(block) > REACH_ROWS:
            count = int(np.searchsorted(cycles.time, block.time[REACH_ROWS], side="left"))
        if count:
            last = int(np.searchsorted(block.time, cycles.time[count - 1], side="left")) + 1
            first = max(0, int(np.searchsorted(self._before.time, cycles.time[0], side="left")) - REACH_ROWS)
            self._see(_joined(self._before, first, here, last), cycles, compared, 0, count, told)
            places[:, :count] = np.maximum(places[:, :count] - (len(self._before.time) - first), -1)
        self._see(here, cycles, compared, count, n, told)
        if len(block) >= _KEPT_ROWS:
            kept = slice(len(block) - _KEPT_ROWS, None)
            self._before = ReadyRows(here.time[kept], here.levels[kept], here.unknown[kept])
        elif len(block):
            first = max(0, len(self._before.time) + len(block) - _KEPT_ROWS)
            self._before = _joined(self._before, first, here, len(block))
        return told

    def _see(
        self, rows: ReadyRows, cycles: Cycles, compared: Compared, start: int, stop: int, told: SeenStrobes
    ) -> None:
        """The cycles ``start:stop``, which ``rows`` reach far enough back for; fills ``told`` by rows of these."""
        at, begin, moved = told.at[start:stop], told.begin[start:stop], told.moved[start:stop]
        if start == stop or not len(rows.time):
            at[:], begin[:] = -1, -1
            return
        place_cycles(rows.time, cycles.slice(start, stop), at)
        before, end = np.maximum(at - REACH_ROWS, 0), np.empty(stop - start, np.int64)
        strobe_spans(
            (rows.time, rows.levels.reshape(-1), rows.unknown.reshape(-1)), cycles.rule[start:stop], before, at, at,
            self._strobes, NOT_KNOWN.begin, begin, end, moved, False,
        )  # fmt: skip
        see_selects(
            rows.time, rows.levels, rows.unknown, at, begin, moved, self._skew,
            (self._pins.word, self._pins.bit, self._watched), self._active, self._region,
            compared.selected[start:stop], compared.selects_seen[start:stop],
        )  # fmt: skip


def _joined(before: ReadyRows, first: int, block: ReadyRows, last: int) -> ReadyRows:
    """The rows before a block from ``first`` on, and the block's up to ``last``."""
    return ReadyRows(
        np.concatenate([before.time[first:], block.time[:last]]),
        np.concatenate([before.levels[first:], block.levels[:last]]),
        np.concatenate([before.unknown[first:], block.unknown[:last]]),
    )
