"""What the timing kernel is handed, by name."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["ChipLines"]


class ChipLines(NamedTuple):
    """Each region's select and the data lines of its chips; the last entry is for cycles outside all regions.

    ``select_word``, ``select_active`` int64, ``select_bit`` uint64 (regions + 1,), word -1 where none is clipped;
    ``mask`` uint64 (regions + 1, chips, words); ``having`` int64 (regions + 1,), how many have any line.
    """

    select_word: NDArray[np.int64]
    select_bit: NDArray[np.uint64]
    select_active: NDArray[np.int64]
    mask: NDArray[np.uint64]
    having: NDArray[np.int64]
