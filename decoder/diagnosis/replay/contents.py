"""How likely it is what reads found in cells whose contents nobody knows.

What a memory holds at power-up, or was given before the capture began, is not
even chance: neighbours agree, whole rows come up alike. Of each lane the levels
found are weighed as draws with an even chance, or with one unknown chance
(Beta(½, ½), the Krichevsky-Trofimov estimate, 1981, from memory) of being high,
everywhere or for each level of one address bit; of being as the cell below; of
being as the lane below. Now and then all of a memory comes up at one level.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import contents_kernel
from busledger.decoder.diagnosis.replay.parts_view import CardView

__all__ = ["log_contents", "log_contents_each", "log_found"]

# Each doubled (but both at once: they are shares of one whole), and halved: no answer changes (as in wear.py).
_ALIKE = 0.2  # that all cells hold one level; our estimate, common practice: some parts come up so, and monitors clear
_EVEN = 0.3  # that no lane and no address bit leans to a level; our estimate


def log_contents(word: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32], width: int) -> float:
    """Log probability of ``level`` on the lanes in ``unknown``.

    Parameters
    ----------
    word : int32[n], address inside the region; width : its bits
    level, unknown : uint32[n], levels read, and the lanes that were not known before
    """
    order = np.argsort(word, kind="stable")
    ends = np.array([0, len(word)], np.int64)
    return log_contents_each(ends, word[order], level[order], unknown[order], np.array([width], np.int64))


def log_contents_each(
    first: NDArray[np.int64], word: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32],
    width: NDArray[np.int64],
) -> float:  # fmt: skip
    """The sum of ``log_contents`` over several memories.

    ``first`` int64[memories + 1]: where the rows of each begin, in the order of its words; ``width`` int64 a memory.
    """
    return float(
        contents_kernel.log_contents(
            first, word, level, unknown, width, math.log(1.0 - _ALIKE - _EVEN), math.log(_EVEN), math.log(_ALIKE / 2.0),
            np.empty(len(word), np.int8), np.empty((2, contents_kernel.BITS), np.int64),
        )
    )  # fmt: skip


def log_found(
    card: CardView, cells: CellSpace, cell: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32]
) -> float:
    """The sum of ``log_contents`` over the chips: what a memory came up with is each chip's own, whatever is at fault.

    ``cell`` int32[n]; ``level``, ``unknown`` uint32[n], as there.
    """
    order = np.argsort(cell, kind="stable")
    cell, level, unknown = cell[order], level[order], unknown[order]
    rows: list[NDArray[np.intp]] = []
    lanes: list[NDArray[np.uint32]] = []
    width: list[int] = []
    for region, mask in _chips(card):
        span = cells.span(region)
        a, z = np.searchsorted(cell, (span.start, span.stop))
        mine = a + np.flatnonzero(unknown[a:z] & np.uint32(mask))
        if len(mine):
            rows.append(mine)
            lanes.append(unknown[mine] & np.uint32(mask))
            width.append(max(1, len(cells.chip_bits(region))))
    if not rows:
        return 0.0
    ends = np.cumsum([0, *(len(one) for one in rows)])
    at = np.concatenate(rows)
    word = (cell[at] - np.array(cells.base, np.int64)[cells.regions_of(cell[at])]).astype(np.int32)
    return log_contents_each(ends, word, level[at], np.concatenate(lanes), np.array(width, np.int64))


def _chips(card: CardView) -> list[tuple[int, int]]:
    """(region, lanes) of each chip, and of the lanes for which none is named."""
    found = []
    for region in card.regions:
        masks = [chip.mask for chip in region.chips] if region.named_chips else []
        rest = region.mask
        for mask in masks:
            rest &= ~mask
        found += [(region.index, mask) for mask in (*masks, rest) if mask]
    return found
