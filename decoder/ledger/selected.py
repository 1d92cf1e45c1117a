"""The region of a cycle from the select that was there, where address lines above it are not wired.

A region's select comes for its own addresses only. Where it is clipped and was
the only select that came, the address bits outside the region are those of the
region. Which bits inside it are not wired stays unknown.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board
from busledger.decoder.bus import Layout
from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture import Capture
from busledger.decoder.ledger.regions import RegionLike

__all__ = ["SelectedRegions", "inside_mask"]

_KEPT_ROWS = 4096  # of the blocks before, for cycles that are told late


def inside_mask(start: int, end: int) -> int:
    """The address bits that vary inside a region."""
    return (1 << (start ^ end).bit_length()) - 1


class SelectedRegions:
    """Fills in the address bits that a clipped select tells.

    Parameters
    ----------
    board : its regions' selects; one that two regions share tells nothing
    layout : which lines are clipped, and where they stand in ``Capture.levels``
    unwired : mask of address bits that no channel carries
    skew_ticks : how long before the sampling edge a select is looked at, so that
        channels which are late by a sample still show it
    """

    def __init__(self, board: Board, layout: Layout, unwired: int, skew_ticks: int) -> None:
        named = [region.select for region in board.regions]
        self._regions = [
            region
            for region in board.regions
            if region.select is not None
            and layout.wired(region.select)
            and named.count(region.select) == 1
            and unwired & ~inside_mask(region.start, region.end)
        ]
        self._bits = [layout.bit(str(region.select)) for region in self._regions]
        self._active = [board.select_level(str(region.select)) for region in self._regions]
        self._unwired = np.uint32(unwired)
        self._skew = max(1, skew_ticks)
        self._time: NDArray[np.int64] = np.zeros(0, np.int64)
        self._levels: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)
        self._unknown: NDArray[np.uint64] = np.zeros((0, layout.words), np.uint64)

    def __bool__(self) -> bool:
        """Whether any select can tell anything."""
        return bool(self._regions)

    def hidden(self, regions: Sequence[RegionLike]) -> int:
        """Of the unwired bits those inside a region that can be located at all: cells that differ in them share an
        entry of the ledger."""
        told = {region.name for region in self._regions}
        left = 0
        for region in regions:
            inside = inside_mask(region.start, region.end)
            if region.name in told or not int(self._unwired) & ~inside:
                left |= int(self._unwired) & inside
        return left

    def fill(self, block: Capture, cycles: Cycles) -> NDArray[np.bool_]:
        """Fill ``cycles.address`` and ``address_unknown`` in place; ``block`` holds the levels up to here.

        Returns bool, shape (n,): cycles whose selects contradict each other or
        are not known, so that they may belong to any region.
        """
        self._keep(block)
        if not len(cycles) or not len(self._time) or not self._regions:
            return np.zeros(len(cycles), np.bool_)
        rows = np.searchsorted(self._time, cycles.time - self._skew, side="right") - 1
        seen = rows >= 0
        rows = np.maximum(rows, 0)
        came = np.zeros((len(self._regions), len(cycles)), np.bool_)
        sure = seen.copy()
        for k, (bit, active) in enumerate(zip(self._bits, self._active, strict=True)):
            word, place = divmod(bit, 64)
            shift = np.uint64(place)
            level = (self._levels[rows, word] >> shift) & np.uint64(1)
            sure &= ((self._unknown[rows, word] >> shift) & np.uint64(1)) == 0
            came[k] = level == np.uint64(active)
        alone = sure & (came.sum(axis=0) == 1)
        for k, region in enumerate(self._regions):
            outside = np.uint32(int(self._unwired) & ~inside_mask(region.start, region.end))
            wired = np.uint32(~(int(self._unwired) | inside_mask(region.start, region.end)) & 0xFFFFFFFF)
            # Lines that are wired must not speak against it.
            fits = ((cycles.address ^ np.uint32(region.start)) & wired & ~cycles.address_unknown) == 0
            here = alone & came[k] & fits
            told = cycles.address_unknown[here] & outside
            cycles.address[here] |= told & np.uint32(region.start)
            cycles.address_unknown[here] &= ~outside
        doubtful: NDArray[np.bool_] = ~sure | (came.sum(axis=0) > 1)
        return doubtful

    def _keep(self, block: Capture) -> None:
        """This block and the last rows before it."""
        self._time = np.concatenate([self._time[-_KEPT_ROWS:], block.time])
        self._levels = np.concatenate([self._levels[-_KEPT_ROWS:], block.levels])
        self._unknown = np.concatenate([self._unknown[-_KEPT_ROWS:], block.unknown])
