"""Where in a chip the failing cells lie: the few address bits that they share.

A weak row, column or half of an array fails at all addresses that agree in some
address bits. Per cell it is known how often it was read with a level that a
fault could have hurt, and how often it was hurt; a *patch* fixes some address
bits and takes the cells that agree with them. Patches are grown from the whole
chip bit by bit, each time by the bit that explains the counts best.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_urn, log_urn_of
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate, log_sum
from busledger.decoder.special_functions import betaln

__all__ = ["Patch", "Scatter", "cell_counts", "log_levels", "patches", "scatter"]

Counts = NDArray[np.int64]

# Both doubled at once, and both halved (four cards of the outside world: many, double and single-intermittent, seeds
# 85200 and 85300, ``tests.outside.sensitivity``): the same answers, no part's chance moves.
_GROWN = 3  # patches followed at each size: a bound of work
_LEAST_CELLS = 2  # failing cells; one alone is a fault of its cell
# A bad cell among many: few cells of a wearing chip have gone. Our estimate, as that of a chip's share of bad parts.
_BAD_CELLS = (0.5, 20.0)
# Judged: chips of which cells here and there fail all in one lane or two, and at one level; or give the same few words.
_ALIKE, _SAME_WORD = 0.1, 0.1


class Patch(NamedTuple):
    """Cells that agree with ``levels`` on the address bits in ``bits`` (of the word inside the region).

    ``hits``, ``misses``: chances taken and missed there; ``outside``: hits elsewhere; ``failing``, ``tested``: cells;
    ``log_choice``: log of how many patches of this size there are.
    """

    bits: int
    levels: int
    hits: int
    misses: int
    outside: int
    failing: int
    tested: int
    log_choice: float

    def lines(self, shift: int) -> list[tuple[int, int]]:
        """(bus address bit, level) of each bit that is fixed."""
        return [(b + shift, (self.levels >> b) & 1) for b in range(self.bits.bit_length()) if (self.bits >> b) & 1]


class Scatter(NamedTuple):
    """Cells here and there fail, each of them always."""

    failing: int
    tested: int
    hits: int
    misses: int
    log_like: float


def cell_counts(
    cell: NDArray[np.int32], first: int, size: int, chance: NDArray[np.bool_], hurt: NDArray[np.bool_]
) -> Counts:
    """int64[size, 2]: chances taken and missed, by cell of one region (``first``: its first cell)."""
    word = cell[chance] - first
    return np.bincount(word * 2 + ~hurt[chance], minlength=2 * size).reshape(size, 2).astype(np.int64)


def patches(counts: Counts) -> Iterator[Patch]:
    """Patches that are worth weighing, the whole chip and single cells left out."""
    if np.count_nonzero(counts[:, 0]) < _LEAST_CELLS:
        return
    width = (len(counts) - 1).bit_length()
    word = np.flatnonzero(counts.any(axis=1))
    counts = counts[word]
    high = ((word[:, None] >> np.arange(width)) & 1).astype(np.float64)
    sums = np.stack([counts[:, 0], counts[:, 1], counts[:, 0] > 0, counts.any(axis=1)]).astype(np.float64)
    total = int(counts[:, 0].sum())
    held = [(0, 0, np.arange(len(word)))]  # of each the bits, their levels, and which of the words agree with them
    for size in range(1, width):
        choice = math.log(math.comb(width, size)) + size * math.log(2.0)
        found = np.empty((4, len(held), width, 2))
        for k, (_, _, agree) in enumerate(held):
            inside = sums.take(agree, axis=1)
            by_bit = inside @ high.take(agree, axis=0)
            found[:, k, :, 0], found[:, k, :, 1] = inside.sum(axis=1)[:, None] - by_bit, by_bit
        count = found.reshape(4, -1)
        grown: dict[int, int] = {}  # one patch may grow out of several
        for k in np.flatnonzero(count[2] >= _LEAST_CELLS).tolist():
            bits, levels, _ = held[k // (2 * width)]
            b, level = k // 2 % width, k & 1
            if not bits >> b & 1:
                grown.setdefault((bits | 1 << b) << width | levels | level << b, k)
        if not grown:
            return
        able = np.array(list(grown.values()))
        best = able[np.argsort(-_worth(count[0, able], count[1, able], total, choice), kind="stable")[:_GROWN]].tolist()
        more = []
        for k in best:
            hits, misses, failing, tested = (int(v) for v in count[:, k].tolist())
            bits, levels, agree = held[k // (2 * width)]
            b, level = k // 2 % width, k & 1
            more.append((bits | 1 << b, levels | level << b, agree[word[agree] >> b & 1 == level]))
            yield Patch(*more[-1][:2], hits, misses, total - hits, failing, tested, choice)
        if not count[1, best].any():
            return  # whatever grows out of patches that miss nothing says less, and is one of more
        held = more


def _worth(
    hits: NDArray[np.float64], misses: NDArray[np.float64], total: int, log_choice: float
) -> NDArray[np.float64]:
    """A quick look, without gamma functions: entropy of the counts, a stray's price for each hit elsewhere."""
    n = hits + misses
    own = hits * np.log(hits / n) + misses * np.log(np.maximum(misses, 1.0) / n)
    found: NDArray[np.float64] = own - 12.0 * (total - hits) - log_choice
    return found


def scatter(counts: Counts, reads: Counts) -> Scatter | None:
    """Some cells fail each time, the others never; None where fewer than two do, or most: those are not here and there.

    ``counts``: int64[size, 2], chances that failing cells took and missed, at the level that each fails at;
    ``reads``: int64[size], compared reads a cell; a sound cell's reads would have shown it stuck every second time.
    """
    bad = counts[:, 0] > 0
    failing = int(np.count_nonzero(bad))
    asked = reads[~bad & (reads > 0)]
    if failing < _LEAST_CELLS or failing > len(asked):
        return None
    sound = float((1.0 - 0.5 ** np.minimum(asked, 60)).sum())
    hits, misses = (int(n) for n in counts[bad].sum(axis=0))
    a, b = _BAD_CELLS
    own = float(betaln(failing + a, sound + b) - betaln(a, b)) + log_rate(hits, misses, HARD)
    return Scatter(failing, failing + len(asked), hits, misses, own)


def log_levels(
    cell: NDArray[np.int32],
    data: NDArray[np.uint32],
    expected: NDArray[np.uint32],
    compared: NDArray[np.uint32],
    wrong: NDArray[np.uint32],
    event: NDArray[np.uint8],
    lanes: int,
) -> float:
    """Log probability of what failing cells gave, one row a read; ``event``: wrong and not just read so.

    A cell is stuck on so many of its lanes, each at one level; a wrong read of it that shows anything else may show any
    pattern, and so may every wrong read of a cell that is not stuck at all, whichever says more. Or all of them are
    stuck bits, and those of a lane and level seen before are the likelier: what fades in a ROM reads as erased, and
    worn cells of one array go one way (common practice). Or they give the same few words: where a cell is not driven,
    what the lanes are left with.
    """
    bad = np.flatnonzero(wrong)
    cells, at = np.unique(cell[bad], return_inverse=True)
    high, low = np.zeros(len(cells), np.uint32), np.zeros(len(cells), np.uint32)
    np.bitwise_or.at(high, at, data[bad] & wrong[bad])
    np.bitwise_or.at(low, at, ~data[bad] & wrong[bad])
    foretold = ((high[at] & ~expected[bad]) | (low[at] & expected[bad])) & compared[bad]
    news = event[bad] != 0
    odd = np.bincount(at[news & (foretold != wrong[bad])], minlength=len(cells))
    each = np.bincount(at[news], minlength=len(cells))
    pattern = lanes * math.log(2.0)
    stuck = (np.bitwise_count(high) + np.bitwise_count(low)) * math.log(2.0 * lanes) + odd * pattern
    by_themselves = -float(np.minimum(stuck, np.maximum(1, each) * pattern).sum())
    bits = np.arange(32, dtype=np.uint32)
    ways = [np.count_nonzero(some[:, None] >> bits & 1, axis=0) for some in (high, low)]
    alike = log_urn_of(np.concatenate(ways), 2.0 * lanes) - float(odd.sum()) * pattern
    told = [math.log1p(-_ALIKE - _SAME_WORD) + by_themselves, math.log(_ALIKE) + alike]
    if lanes > 1:
        told.append(math.log(_SAME_WORD) + log_urn((data & compared)[bad[news]], 2.0**lanes))
    return log_sum(told)
