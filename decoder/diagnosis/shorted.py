"""Reads through lanes that a shared fault joins in every read, in which one chip or another must have given way.

Where both lanes were due at the level that loses, and both show the one that wins, one of the two gave it: which one
cannot be seen, and to charge both with it would convict a sound chip with each bad one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import bits_of
from busledger.decoder.diagnosis.overlay import shorts
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.replay.study import Rows

__all__ = ["either_lane"]


def either_lane(paths: Sequence[Path], rows: Rows) -> Iterator[tuple[int, NDArray[np.bool_], tuple[int, ...]]]:
    """By shorted region: its index, which of the ``rows`` that the ``paths`` leave speak of one of two lanes, bool a
    row, and the masks of these."""
    for path in paths:
        if not isinstance(path, PathFaultState) or not shorts(path.scored):
            continue
        both = rows.wrong & np.uint32(path.mask) == np.uint32(path.mask)
        for region in np.unique(rows.region[both]).tolist():
            if region in path.regions:
                yield region, both & (rows.region == region), tuple(1 << lane for lane in bits_of(path.mask))
