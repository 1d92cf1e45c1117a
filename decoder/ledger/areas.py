"""Where the cells of a region are kept, and which regions a write in doubt may have reached.

Most cells are kept under their bus address. Regions that share a range, each
under its own condition, have cells of their own; a mirror has those of the
region it repeats.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles

__all__ = ["TABLE", "Areas", "inside_mask"]

TABLE = ("start", "end", "inside", "cell_start", "cell_inside", "cell_space", "lanes", "space")
"""The columns of an area, int64. ``inside``: the address bits that vary in it. A cell's address is
``address & cell_inside | cell_start``, in ``cell_space``; ``lanes`` are the data bits it owns."""

_START, _END, _INSIDE, _CELL_START, _CELL_INSIDE, _CELL_SPACE, _LANES, _SPACE = range(len(TABLE))


def inside_mask(start: int, end: int) -> int:
    """The address bits that vary inside a region."""
    return (1 << (start ^ end).bit_length()) - 1


class Areas:
    """The table of areas, one a region in the board's order.

    Parameters
    ----------
    spans : (start, end, bus space, owned data bits) of each region, end inclusive
    groups : for each region which set of cells its own are of, 0 = those of the bus; others count from 1
    mirrors : for each region the index of the one whose cells it repeats, or -1
    spaces : how many spaces the bus has
    """

    def __init__(
        self,
        spans: Sequence[tuple[int, int, int, int]],
        groups: Sequence[int],
        mirrors: Sequence[int],
        spaces: int,
    ) -> None:
        self.spaces = spaces * (1 + max(groups, default=0))
        self.table = np.zeros((len(spans), len(TABLE)), np.int64)
        for r, (start, end, space, lanes) in enumerate(spans):
            inside = inside_mask(start, end)
            base = mirrors[r] if mirrors[r] >= 0 else r
            base_start, base_end, base_space, _ = spans[base]
            cells = inside_mask(base_start, base_end)
            group = groups[base]
            self.table[r] = (start, end, inside, base_start & ~cells, cells, group * spaces + base_space, lanes, space)
        self._plain = not any(groups) and all(m < 0 for m in mirrors)

    def cells(
        self, cycles: Cycles, space: NDArray[np.uint8]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint32], NDArray[np.uint32]]:
        """(space, address, unknown address bits) of the cell of each cycle, by ``cycles.region``."""
        if self._plain or not len(self.table):
            return space, cycles.address, cycles.address_unknown
        row = self.table[cycles.region]
        inside = cycles.region >= 0
        moved = (cycles.address & row[:, _CELL_INSIDE]) | row[:, _CELL_START]
        address = np.where(inside, moved, cycles.address).astype(np.uint32)
        unknown = np.where(inside, cycles.address_unknown & row[:, _CELL_INSIDE], cycles.address_unknown)
        where = np.where(inside, row[:, _CELL_SPACE], space).astype(np.uint8)
        return where, address, unknown.astype(np.uint32)

    def reach(self, cycles: Cycles, space: NDArray[np.uint8], lanes: NDArray[np.uint32]) -> NDArray[np.bool_]:
        """bool (cycles, areas): the known address bits let the cycle, which moves ``lanes``, fall in the area."""
        address = cycles.address.astype(np.int64)[:, None]
        known = ~cycles.address_unknown.astype(np.int64)[:, None]
        table = self.table
        found = ((address ^ table[:, _START]) & ~table[:, _INSIDE] & known) == 0
        # Regions that do not fill their block: the lowest and highest reading inside the block.
        low = (address & known & table[:, _INSIDE]) | (table[:, _START] & ~table[:, _INSIDE])
        high = low | (~known & table[:, _INSIDE])
        found &= (low <= table[:, _END]) & (high >= table[:, _START])
        found &= space.astype(np.int64)[:, None] == table[:, _SPACE]
        found &= (lanes.astype(np.int64)[:, None] & table[:, _LANES]) != 0
        return np.asarray(found, np.bool_)

    def pages(
        self, cycles: Cycles, reach: NDArray[np.bool_], shift: int, page_bits: int, most_words: int
    ) -> list[tuple[int, int]]:
        """(cell space, page) of all cells that the cycles may have reached, each once; those that reach more than
        ``most_words`` words of an area are left out. A word is ``1 << shift`` addresses, a page ``1 << page_bits``
        words."""
        found: set[tuple[int, int]] = set()
        address, unknown = cycles.address.astype(np.int64), cycles.address_unknown.astype(np.int64)
        for row, reached in zip(self.table, reach.T, strict=True):
            inside, start = int(row[_INSIDE]), int(row[_START])
            base = ((address & ~unknown & inside) | (start & ~inside))[reached] >> (shift + page_bits)
            mask = (unknown & inside)[reached] >> shift
            for first, bits in set(zip(base.tolist(), mask.tolist(), strict=True)):
                if 1 << bits.bit_count() > most_words:
                    continue
                part = high = bits >> page_bits
                while True:
                    word = (first | part) << page_bits
                    if start >> shift <= word + (1 << page_bits) - 1 and word <= int(row[_END]) >> shift:
                        cell = ((word << shift) & int(row[_CELL_INSIDE])) | int(row[_CELL_START])
                        found.add((int(row[_CELL_SPACE]), cell >> (shift + page_bits)))
                    if not part:
                        break
                    part = (part - 1) & high
        return sorted(found)
