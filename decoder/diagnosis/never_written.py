"""Chips behind a write line that never comes: memory that holds, whatever is written, what it held when it woke.

What that is, most reads of each cell say. To the chips it is as if it had been written once, at the first write that
was lost: what one of them gives otherwise is its own doing, and what a fault of its own would have given is known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows

__all__ = ["as_read"]


def as_read(rows: Rows, mask: int, regions: tuple[int, ...]) -> Rows:
    """The rows as chips that take no writes see them. ``mask``, ``regions``: what loses its writes."""
    mine = np.isin(rows.region, np.array(regions, np.int16))
    lanes = np.where(mine, np.uint32(mask), np.uint32(0))
    cells, at = np.unique(rows.cell, return_inverse=True)
    first = _first(at, mine & rows.is_write, len(rows), len(cells))
    # Reads that nothing was held against tell what the cell held as long as nothing was written to it.
    unwritten: NDArray[np.bool_] = np.arange(len(rows)) < first[at]
    told: NDArray[np.uint32] = rows.sure & lanes & np.where(unwritten, np.uint32(0xFFFFFFFF), rows.compared)
    told[rows.is_write] = 0
    held, known = _elected(rows.data, told, at, len(cells))
    content, sure = held[at], known[at] & lanes
    # The first read that shows it tells what it is, and cannot be right or wrong.
    shows = (told != 0) & ((rows.data ^ content) & told == 0)
    first_read = _first(at, shows, len(rows), len(cells))
    tells = np.zeros(len(rows), np.bool_)
    tells[first_read[first_read < len(rows)]] = True
    compared = rows.compared & (~lanes | np.where(tells, np.uint32(0), sure))
    judged = rows.holding(((rows.expected & ~lanes) | (content & lanes)) & compared, compared)
    woke = np.zeros(len(rows), np.bool_)
    woke[first[first < len(rows)]] = True
    written = mine & rows.is_write
    data = np.where(written, (rows.data & ~lanes) | (content & lanes), rows.data)
    stored = np.where(written, (rows.sure & ~lanes) | np.where(woke, sure, np.uint32(0)), rows.sure)
    reach = np.where(written & ~woke, rows.lanes & ~lanes, rows.lanes)
    kept = ~written | (reach != 0)
    found = replace(judged, data=data, sure=stored, lanes=reach)
    return found if kept.all() else found.take(kept)


def _first(at: NDArray[np.intp], which: NDArray[np.bool_], none: int, cells: int) -> NDArray[np.intp]:
    """Of each cell the first of these rows; ``none`` where there is not one."""
    found = np.full(cells, none, np.intp)
    rows = np.flatnonzero(which)[::-1]
    found[at[rows]] = rows
    return found


def _elected(
    data: NDArray[np.uint32], told: NDArray[np.uint32], at: NDArray[np.intp], cells: int
) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """(levels, lanes known) of each cell, lane by lane as most reads have it, or the first where as many differ."""
    held, known = np.zeros(cells, np.uint32), np.zeros(cells, np.uint32)
    for lane in range(int(np.bitwise_or.reduce(told, initial=0)).bit_length()):
        bit = np.uint32(1 << lane)
        here = told & bit != 0
        high = np.bincount(at[here & (data & bit != 0)], minlength=cells)
        low = np.bincount(at[here & (data & bit == 0)], minlength=cells)
        first = _first(at, here, len(data), cells)
        began = (data[np.minimum(first, len(data) - 1)] & bit) != 0
        held |= np.where((high > low) | ((high == low) & (high > 0) & began), bit, np.uint32(0))
        known |= np.where(high + low > 0, bit, np.uint32(0))
    return held, known
