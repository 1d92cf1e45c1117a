"""How likely it is what reads found in cells whose contents nobody knows.

What a memory holds at power-up, or was given before the capture began, is not
even chance: neighbours agree, whole rows come up alike. Of each lane the levels
found are weighed as draws with one unknown chance (Beta(½, ½), the
Krichevsky-Trofimov estimate, 1981, from memory), or with one chance for each
level of one address bit; which bit is as likely as any other, or none. Now and
then all of a memory comes up at one level.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, logsumexp

__all__ = ["log_contents"]

_ALIKE = 0.2  # that all cells hold one level; our estimate, common practice: some parts come up so, and monitors clear


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
    total = 0.0
    every = int(np.bitwise_or.reduce(unknown, initial=0))
    for lane in range(every.bit_length()):
        if not (every >> lane) & 1:
            continue
        mine = ((unknown >> np.uint32(lane)) & 1) == 1
        high = ((level[mine] >> np.uint32(lane)) & 1).astype(np.int64)
        bits = (word[mine, None] >> np.arange(width)) & 1
        n, ones = len(high), int(high.sum())
        with_bit, both = bits.sum(axis=0), (bits * high[:, None]).sum(axis=0)
        each = _draws(both, with_bit - both) + _draws(ones - both, n - with_bit - (ones - both))
        logs = np.concatenate([[float(_draws(np.array(ones), np.array(n - ones)))], each])
        total += float(logsumexp(logs)) - math.log(len(logs))
    return float(np.logaddexp(math.log1p(-_ALIKE) + total, alike))


def _draws(high: NDArray[np.int64], low: NDArray[np.int64]) -> NDArray[np.float64]:
    found: NDArray[np.float64] = betaln(high + 0.5, low + 0.5) - betaln(0.5, 0.5)
    return found
