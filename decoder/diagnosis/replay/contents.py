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

from busledger.decoder.diagnosis.replay import contents_kernel

__all__ = ["log_contents", "log_contents_each"]

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
            np.zeros(len(word), np.int8),
        )
    )  # fmt: skip
