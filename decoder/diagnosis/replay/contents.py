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
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import contents_kernel
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.urns import log_filled, log_urn_of
from busledger.decoder.diagnosis.replay.weighing import log_rate, log_sum

__all__ = ["log_contents", "log_contents_each", "log_found", "log_woken"]

# Each doubled (but both at once: they are shares of one whole), and halved: no answer changes (as in wear.py).
_ALIKE = 0.2  # that all cells hold one level; our estimate, common practice: some parts come up so, and monitors clear
_EVEN = 0.3  # that no lane and no address bit leans to a level; our estimate
_WORDS = 4  # words of a region found whole from which on their repeats are looked at; a bound of work
LN2 = math.log(2.0)
_JEFFREYS = (0.5, 0.5)


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

    The mean of that, of lanes that wake up alike (``log_woken``) and, where words were found whole, of words that come
    again and of what a program may have left there (``log_filled``).
    ``cell`` int32[n]; ``level``, ``unknown`` uint32[n], as there.
    """
    order = np.argsort(cell, kind="stable")
    cell, level, unknown = cell[order], level[order], unknown[order]
    chips = _chips(card)
    found = 0.0
    for region in card.regions:
        span = cells.span(region.index)
        a, z = np.searchsorted(cell, (span.start, span.stop))
        lanes = np.uint32(region.mask)
        word, value, asked = (cell[a:z] - span.start).astype(np.int32), level[a:z], unknown[a:z] & lanes
        masks = [mask for index, mask in chips if index == region.index and (asked & np.uint32(mask)).any()]
        if not masks:
            continue
        width = max(1, len(cells.chip_bits(region.index)))
        ideas = [_log_by_chips(word, value, asked, masks, width), _log_all_alike(word, value, asked, width)]
        full = asked == lanes
        if region.mask.bit_count() > 1 and np.count_nonzero(full) >= _WORDS:
            rest = _log_by_chips(word[~full], value[~full], asked[~full], masks, width)
            ideas.append(rest + _log_by_words(word[full], value[full] & lanes, region.mask.bit_count(), width))
            ideas.append(rest + log_filled(value[full], region.mask))
        found += log_sum(ideas) - math.log(len(ideas))
    return found


def _log_by_chips(
    word: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32], masks: Sequence[int], width: int
) -> float:
    """Log probability of ``level`` where every chip, a mask each, came up by itself."""
    rows = [np.flatnonzero(unknown & np.uint32(mask)) for mask in masks]
    asked = [(mine, unknown[mine] & np.uint32(mask)) for mine, mask in zip(rows, masks, strict=True) if len(mine)]
    if not asked:
        return 0.0
    at = np.concatenate([mine for mine, _ in asked])
    ends = np.cumsum([0, *(len(mine) for mine, _ in asked)])
    lanes = np.concatenate([lanes for _, lanes in asked])
    return log_contents_each(ends, word[at], level[at], lanes, np.full(len(asked), width, np.int64))


def _log_all_alike(
    word: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32], width: int
) -> float:
    """Log probability of ``level`` where all lanes wake up alike."""
    lanes = np.arange(32, dtype=np.uint32)
    seen = (unknown[:, None] >> lanes & 1) == 1
    high = (level[:, None] >> lanes & 1) == 1
    return log_woken(np.broadcast_to(word[:, None], seen.shape)[seen].astype(np.int64), high[seen], width)


def _log_by_words(word: NDArray[np.int32], value: NDArray[np.uint32], lanes: int, width: int) -> float:
    """Log probability of ``value`` where whole words come again, everywhere or for each level of one address bit: rows
    of cells that come up alike, what was cleared, with here and there one that is not."""
    kinds, which = np.unique(value, return_inverse=True)
    found = [log_urn_of(np.bincount(which), 2.0**lanes)]
    for bit in range(width):
        sides = np.bincount(which * 2 + (word >> bit & 1), minlength=2 * len(kinds)).reshape(-1, 2)
        found.append(log_urn_of(sides[:, 0], 2.0**lanes) + log_urn_of(sides[:, 1], 2.0**lanes))
    return log_sum(found) - math.log(len(found))


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


def log_woken(address: NDArray[np.int64], high: NDArray[np.bool_], bits: int) -> float:
    """Log probability of the levels that cells wake up with when their supply comes back.

    Any at all; more of one level than of the other; or so by turns, with one of the ``bits`` of the address, for rows
    and halves of an array are laid out mirrored or store the complement (common practice).
    """
    if not len(high):
        return 0.0
    up_there = address[high]
    n, up = len(high), len(up_there)
    turns = []
    for bit in range(bits):
        side, there = (int(np.count_nonzero(some & (1 << bit))) for some in (address, up_there))
        turns.append(_biased(there, side) + _biased(up - there, n - side))
    ways = [-n * math.log(2.0), _biased(up, n), log_sum(turns) - math.log(len(turns))]
    return log_sum(ways) - math.log(len(ways))


def _biased(high: int, of: int) -> float:
    return log_rate(high, of - high, _JEFFREYS)
