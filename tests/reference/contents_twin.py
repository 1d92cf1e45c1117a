"""How likely it is what reads found in cells whose contents nobody knows: the kernel's twin, lane by lane with scipy.

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
from scipy.special import betaln, logsumexp

__all__ = ["log_contents"]

LN2 = math.log(2.0)

_ALIKE = 0.2  # that all cells hold one level; our estimate, common practice: some parts come up so, and monitors clear
_EVEN = 0.3  # that no lane and no address bit leans to a level; our estimate


def log_contents(word: NDArray[np.int32], level: NDArray[np.uint32], unknown: NDArray[np.uint32], width: int) -> float:
    """Log probability of ``level`` on the lanes in ``unknown``.

    Parameters
    ----------
    word : int32[n], address inside the region; width : its bits
    level, unknown : uint32[n], levels read, and the lanes that were not known before
    """
    asked = unknown.astype(np.uint64).sum() > 0
    high, low = (bool(((v & unknown) == unknown).all()) for v in (level, ~level))
    alike = math.log(_ALIKE / 2.0) if asked and (high or low) else -math.inf
    order = np.argsort(word, kind="stable")
    word, level, unknown = word[order], level[order], unknown[order]
    total = 0.0
    below: NDArray[np.int64] | None = None  # the last lane's levels, -1 where known before
    every = int(np.bitwise_or.reduce(unknown, initial=0))
    for lane in range(every.bit_length()):
        if not (every >> lane) & 1:
            continue
        mine = ((unknown >> np.uint32(lane)) & 1) == 1
        high = ((level[mine] >> np.uint32(lane)) & 1).astype(np.int64)
        logs = [_draws_of(high), _along(high)]
        if width:
            logs.append(_by_line(high, (word[mine, None] >> np.arange(width)) & 1))
        if below is not None:
            both = below[mine] >= 0
            logs.append(_draws_of((high == below[mine])[both].astype(np.int64)) - LN2 * int((~both).sum()))
        total += float(logsumexp(logs)) - math.log(len(logs))
        below = np.full(len(word), -1, np.int64)
        below[mine] = high
    even = -LN2 * float(np.bitwise_count(unknown).sum())
    return float(logsumexp([math.log(1.0 - _ALIKE - _EVEN) + total, math.log(_EVEN) + even, alike]))


def _draws_of(high: NDArray[np.int64]) -> float:
    ones = int(high.sum())
    return float(_draws(np.array(ones), np.array(len(high) - ones)))


def _by_line(high: NDArray[np.int64], bits: NDArray[np.int64]) -> float:
    """One chance for each level of one address bit."""
    n, ones = len(high), int(high.sum())
    with_bit, both = bits.sum(axis=0), (bits * high[:, None]).sum(axis=0)
    each = _draws(both, with_bit - both) + _draws(ones - both, n - with_bit - (ones - both))
    return float(logsumexp(each)) - math.log(len(each))


def _along(high: NDArray[np.int64]) -> float:
    """Each cell agrees with the one below it, with one chance."""
    return _draws_of((high[1:] == high[:-1]).astype(np.int64)) - LN2


def _draws(high: NDArray[np.int64], low: NDArray[np.int64]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = betaln(high + 0.5, low + 0.5) - betaln(0.5, 0.5)
    return found
