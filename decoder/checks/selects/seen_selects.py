"""What the clipped selects showed at the moment of each access, for whoever weighs that access."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import Cycles, Layout, Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import READS, Setting, pins, rule_strobes
from busledger.decoder.checks.selects.seen_kernel import see_selects
from busledger.decoder.checks.span_kernel import place_cycles, strobe_spans
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
    shown = compared.known
    right = (compared.verdict == Verdict.AGREES) & READS[cycles.kind] & (cycles.region >= 0)
    right &= (cycles.region < _MOST_REGIONS) & ((cycles.data ^ cycles.kept) & shown != 0)
    right &= (cycles.data & shown != 0) & (~cycles.data & shown != 0)
    rows = np.flatnonzero(right)
    place = cycles.region[rows].astype(np.uint64)
    quiet = (compared.selects_seen[rows] & ~compared.selected[rows]) >> place & np.uint64(1) == 1
    return np.bincount(cycles.region[rows][quiet], minlength=regions)[:regions]


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
        self._active = np.array([board.select_level(line) for line in speaks], np.int64)
        self._region = np.array(list(speaks.values()), np.uint64)
        self._time: NDArray[np.int64] = np.zeros(0, np.int64)
        self._levels: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)
        self._unknown: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)

    def __bool__(self) -> bool:
        """Whether any select is clipped."""
        return len(self._pins) > 0

    def fill(self, block: Capture, cycles: Cycles, compared: Compared) -> None:
        """Write the two columns of ``compared`` in place; ``block`` holds the levels up to here."""
        if not self:
            return
        self._keep(block)
        if not len(cycles) or not len(self._time):
            return
        at, begin, end = (np.empty(len(cycles), np.int64) for _ in range(3))
        place_cycles(self._time, cycles.time, at)
        before, s = np.maximum(at - REACH_ROWS, 0), self._strobes
        strobe_spans(self._levels, cycles.rule, before, at, at, s.mask, s.want, s.low, s.high, s.from_begin, begin, end)
        see_selects(
            self._time, self._levels, self._unknown, at, begin, self._skew, self._pins.word, self._pins.bit,
            self._active, self._region, compared.selected, compared.selects_seen,
        )  # fmt: skip

    def _keep(self, block: Capture) -> None:
        """This block and the last rows before it."""
        if len(block):
            self._time = np.concatenate([self._time[-_KEPT_ROWS:], block.time])
            self._levels = np.concatenate([self._levels[-_KEPT_ROWS:], block.levels])
            self._unknown = np.concatenate([self._unknown[-_KEPT_ROWS:], block.unknown])
