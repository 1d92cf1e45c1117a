"""The region of a cycle where address lines above it are not clipped.

Two things tell it. A region's select comes for its own addresses only: where it
is clipped and was the only one that came of those which the address allows, the
address bits outside the region are those of the region. Otherwise the board file is taken to name all the memory
there is, so that an address which only one region can have on the lines that are
clipped is that region's; who judges so must say it. Which bits inside the region
are not clipped stays unknown.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import reduce
from operator import or_

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Layout
from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger.areas import inside_mask
from busledger.decoder.ledger.regions import CAME, QUIET, RegionMap

__all__ = ["SelectedRegions"]


class SelectedRegions:
    """Fills in the address bits that a clipped select, or the board file, tells.

    Parameters
    ----------
    board : its regions' selects; one that two regions share tells nothing
    region_map : the same regions as the ledger has them
    layout : which lines are clipped
    unwired : mask of address bits that no channel carries

    Attributes
    ----------
    selects : the lines whose levels ``fill`` wants
    assumed : names of the regions that were told by the board file alone in some cycle
    """

    def __init__(self, board: Board, region_map: RegionMap, layout: Layout, unwired: int) -> None:
        named = [region.select for region in board.regions]
        self._regions = board.regions
        self._map = region_map
        self._told: dict[int, tuple[str, int]] = {
            index: (region.select, board.select_level(region.select))
            for index, region in enumerate(board.regions)
            if region.select is not None
            and layout.wired(region.select)
            and named.count(region.select) == 1
            and unwired & ~inside_mask(region.start, region.end)
        }
        self._unwired = unwired
        self._hinted = np.zeros(len(board.regions), np.bool_)

    @property
    def selects(self) -> tuple[str, ...]:
        return tuple(line for line, _ in self._told.values())

    @property
    def assumed(self) -> tuple[str, ...]:
        return tuple(region.name for region, hint in zip(self._regions, self._hinted, strict=True) if hint)

    @property
    def hidden(self) -> int:
        """Of the unwired bits those inside a region: cells that differ in them share an entry of the ledger."""
        return reduce(or_, (self._within(region) for region in self._regions), 0)

    @property
    def divided(self) -> tuple[str, ...]:
        """Names of the regions that have such bits."""
        return tuple(region.name for region in self._regions if self._within(region))

    def _within(self, region: Region) -> int:
        return self._unwired & inside_mask(region.start, region.end)

    def fill(self, cycles: Cycles, levels: Mapping[str, NDArray[np.int8]]) -> NDArray[np.int8]:
        """Fill ``cycles.address`` and ``address_unknown`` in place.

        ``levels``: 1, 0 or -1 (not known) a cycle for each of ``selects``. Returns int8, shape (cycles, regions):
        QUIET where the region's select was seen not to come, CAME where it came although the address is not the
        region's, and that region's own did not: then either may be what happened, and nothing is quiet.
        """
        n, r = len(cycles), len(self._regions)
        if not n or not r:
            return np.zeros((n, r), np.int8)
        quiet = np.zeros((n, r), np.bool_)
        came, lost = np.zeros((n, r), np.bool_), np.zeros(n, np.bool_)
        for index, (line, active) in self._told.items():
            level = levels[line]
            came[:, index] = level == active
            quiet[:, index] = level == 1 - active
            lost |= level < 0
        space = self._map.spaces(cycles)
        fits = self._map.may_be(cycles, space)
        selected = came & fits
        # One that comes beside it, which the address does not allow, says something of the decoder, not of the address.
        alone = ~lost & (selected.sum(axis=1) == 1)
        # No select came that the address allows: what the other regions' addresses allow.
        possible = fits & ~quiet
        by_board = ~alone & (came.sum(axis=1) == 0) & self._one_place(possible)
        for index, region in enumerate(self._regions):
            outside = np.uint32(self._unwired & ~inside_mask(region.start, region.end))
            told = alone & selected[:, index]
            hinted = by_board & possible[:, index] & (index not in self._told)  # a clipped select in doubt says no
            here = (told | hinted) & ((cycles.address_unknown & outside) != 0)
            cycles.address[here] |= cycles.address_unknown[here] & outside & np.uint32(region.start)
            cycles.address_unknown[here] &= ~outside
            self._hinted[index] |= bool((here & hinted).any())
        against = ((came & ~fits).any(axis=1) & ~alone).reshape(-1, 1)
        return np.where(against, np.where(came, CAME, 0), np.where(quiet, QUIET, 0)).astype(np.int8)

    def _one_place(self, possible: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """bool a cycle: all regions that are possible begin with the same bits on the lines left out, and there is
        one at least. Banks that share a range do, and the two bytes of a word."""
        found = np.zeros(len(possible), np.bool_)
        clash = np.zeros(len(possible), np.bool_)
        first = np.zeros(len(possible), np.int64)
        for index, region in enumerate(self._regions):
            high = region.start & self._unwired & ~inside_mask(region.start, region.end)
            outside = self._unwired & ~inside_mask(region.start, region.end)
            key = (high << 32) | outside
            here = possible[:, index]
            clash |= here & found & (first != key)
            first = np.where(here & ~found, key, first)
            found |= here
        return found & ~clash
