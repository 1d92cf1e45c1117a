"""All transfers of a capture in one order: those of the regions, and those beside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["traffic"]


def traffic(story: Story) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(ticks, bus address) of the transfers that were kept, in their order, int64; IO left out."""
    times, addresses = [story.rows.time], [story.address[story.rows.cell].astype(np.int64)]
    signs = story.study.evidence.signs
    for kept in (signs.outside_reads(), signs.latches()) if signs is not None else ():
        times.append(kept.time[kept.io == 0])
        addresses.append(kept.address[kept.io == 0])
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    return time[order], np.concatenate(addresses)[order]
