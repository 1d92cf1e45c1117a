"""What programs write, and how they come by: how likely it is what a rival says was written, and when."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.special_functions import gammaln

__all__ = ["log_back", "log_contents", "log_turns"]


def log_turns(yes: NDArray[np.bool_]) -> float:
    """Log probability of which of some accesses, in the order of time, were of a kind: each by itself, or as the one
    before, or the two before, for programs do the same for a while, or two things by turns."""
    ways = []
    for back in range(3):
        before = np.zeros(max(0, len(yes) - back), np.int64)
        for i in range(back):
            before = 2 * before + yes[i : len(yes) - back + i]
        own = -min(back, len(yes)) * math.log(2.0)
        for state in range(1 << back):
            now = yes[back:][before == state]
            count = int(np.count_nonzero(now))
            own += log_rate(count, len(now) - count, SOMETIMES)
        ways.append(own)
    return log_sum(ways) - math.log(len(ways))


def log_back(older: NDArray[np.uint8], right: NDArray[np.bool_] | None = None) -> float:
    """Log probability of how far back in its cell's story each content lies: as many others ago, or never, each at a
    share of its own (Dirichlet-multinomial, weights ½).

    ``older``: as ``Story.older``; ``right``: those that were expected, None = none of them.
    """
    back = np.where(older & 1 == 1, older >> kernel.BACK, kernel.HELD).astype(np.int64)
    if right is not None:
        back[right] = kernel.HELD + 1
    often = np.bincount(back, minlength=kernel.HELD + 2)
    flat = np.full(kernel.HELD + 2, 0.5)
    total = float(flat.sum())
    return float(gammaln(often + flat).sum() - gammaln(flat).sum() + gammaln(total) - gammaln(len(back) + total))


def log_contents(
    value: NDArray[np.uint32], lanes: int, older: NDArray[np.uint8], right: NDArray[np.bool_]
) -> float:
    """Log probability of what was written, in the order of time: as ``log_filled``; or a program gives many cells
    what they held before, as counters, flags and tests with two patterns do, and only the rest is new."""
    new = (older & 1 == 0) & ~right
    again = log_back(older, right) + log_filled(value[new], lanes)
    return log_sum([log_filled(value, lanes), again]) - math.log(2.0)
