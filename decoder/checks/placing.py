"""Where cycles lie in the rows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles

__all__ = ["place_cycles"]


def place_cycles(row_time: NDArray[np.int64], cycles: Cycles, at: NDArray[np.int64]) -> None:
    """Fills ``at`` with the first row whose time is not before each cycle's; ``row_time`` int64, rising.

    Cycles know the row of the capture that each was sampled in: where the first one lies says where all do. That is
    held against the times, and where it is not so, as for cycles that were not decoded, each is looked for.
    """
    if not len(at):
        return
    first = np.searchsorted(row_time, cycles.time[0], side="left")
    np.subtract(cycles.sample, cycles.sample[0] - first, out=at)
    known = at.min() >= 0 and at.max() < len(row_time)
    if not known or not np.array_equal(row_time.take(at), cycles.time):
        at[:] = np.searchsorted(row_time, cycles.time, side="left")
