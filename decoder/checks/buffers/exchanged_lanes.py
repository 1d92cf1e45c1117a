"""Two lanes of a driver that come out in each other's place: two clips are exchanged, on one side of it or the other.

A part that fails does not put two lanes right across each other. What does is two clips, which cannot be told from
memory that is written and read over them: the driver's two sides tell.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

__all__ = ["exchanged_lanes"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
_TOGETHER = 0.95
"""Of what is wrong on either lane. Two lanes that are stuck at different levels are wrong together, with different
levels in, in half of it; a stray sample in one transfer of twenty is generous (judged)."""
_LEAST = 16
"""Transfers: lanes that have nothing to do with each other would be wrong together so often once in 2 ** 16."""


def exchanged_lanes(
    table: NDArray[np.int64], apart: NDArray[np.int64], *, inverting: bool
) -> list[tuple[int, int]]:
    """Pairs of lanes that are exchanged.

    Parameters
    ----------
    table : int64 (lanes, ways, 2 kept, 2 in, 2 out), reads and writes through it
    apart : int64 (lanes, lanes) transfers in which both came out wrong and the levels that went in were not the same,
        lower lane first
    inverting : whether right is the other level than what went in
    """
    by_level = table.sum(axis=(1, 2))
    wrong = by_level[:, 0, 0] + by_level[:, 1, 1] if inverting else by_level[:, 0, 1] + by_level[:, 1, 0]
    found = [
        (one, other)
        for one, other in combinations(range(len(wrong)), 2)
        if (together := int(apart[one, other])) >= _LEAST
        and together >= _TOGETHER * max(int(wrong[one]), int(wrong[other]))
    ]
    # Lanes that are wrong with more than one other have nothing to do with any: a driver that is off, for one.
    often = [lane for pair in found for lane in pair]
    return [pair for pair in found if all(often.count(lane) == 1 for lane in pair)]
