"""Address lines inside a region that are not clipped, counted along.

A memory test runs through its cells in even steps: from where a count has carried into a line and out of it again, the
line's level follows (``sweep_kernel``). That is an assumption, which the answer states: a program that turned back by
exactly the line's weight in the middle of a sweep, without losing a cycle, would be misread; so would, of a sweep in
single steps without A0 or A1, its next access if that turns back in the loop's own pace. So a read of a cell told
in this way is no mismatch where another cell that its clipped lines may mean is known to hold what it gave, and a write
that nothing tells may have gone to any of them.
"""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import sweep_kernel as kernel
from busledger.decoder.ledger.areas import inside_mask
from busledger.decoder.ledger.regions import RegionMap, actions

__all__ = ["MOST_COUNTED", "CountedLines"]

MOST_COUNTED = 3  # bits: 2 ** 3 ways to read an address


class CountedLines:
    """Fills in the hidden address bits of accesses that run on in even steps.

    Parameters
    ----------
    region_map : the regions; ``Cycles.region`` holds their index
    unwired : mask of the address bits that no channel carries

    Attributes
    ----------
    told, asked : accesses so far whose cell was told, and all that it was asked of
    """

    def __init__(self, region_map: RegionMap, unwired: int) -> None:
        regions = region_map.regions
        hidden = [unwired & inside_mask(r.start, r.end) for r in regions]
        self._starts = np.array([r.start for r in regions], np.int64)
        self._ends = np.array([r.end for r in regions], np.int64)
        self._hidden = np.array([h if h.bit_count() <= MOST_COUNTED else 0 for h in hidden], np.int64)
        self._anything = bool(self._hidden.any())
        self._runs = np.zeros((2 * len(regions), kernel.RUN_SIZE), np.int64)
        self._ways = np.zeros((2 * len(regions), kernel.MOST_WAYS, kernel.WAY_SIZE), np.int64)
        self.told, self.asked = 0, 0
        self._cycles = 0

    def fill(self, cycles: Cycles) -> None:
        """Fill ``cycles.address`` and ``address_unknown`` in place; ``cycles.region`` must be filled."""
        if not self._anything:
            return
        action = actions(cycles)
        action[cycles.kind == Kind.OPCODE_FETCH] = 0  # a program runs on too, but not in even steps of one sweep
        bits = np.full(len(cycles), -1, np.int64)
        first, self._cycles = self._cycles, self._cycles + len(cycles)
        kernel.count_along(
            np.int64(first), cycles.region, action, cycles.address, cycles.address_unknown, self._starts, self._ends,
            self._hidden, self._runs, self._ways, bits,
        )  # fmt: skip
        rows = np.flatnonzero(bits >= 0)
        cycles.address[rows] |= bits[rows].astype(np.uint32)
        cycles.address_unknown[rows] = 0
        asked = np.flatnonzero((cycles.region >= 0) & (action != 0))
        self.told += len(rows)
        self.asked += int((self._hidden[cycles.region[asked]] != 0).sum())
