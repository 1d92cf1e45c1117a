"""All transfers of a capture in one order: those of the regions, and those beside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["first_of_each", "traffic", "writes"]


def traffic(story: Story) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(ticks, bus address) of the transfers that were kept, in their order, int64; IO left out."""
    once = first_of_each(story)
    times, addresses = [story.rows.time[once]], [story.address[story.rows.cell[once]].astype(np.int64)]
    signs = story.study.evidence.signs
    for kept in (signs.outside_reads(), signs.latches()) if signs is not None else ():
        times.append(kept.time[kept.io == 0])
        addresses.append(kept.address[kept.io == 0])
    time = np.concatenate(times)
    order = np.argsort(time, kind="stable")
    return time[order], np.concatenate(addresses)[order]


def writes(story: Story) -> NDArray[np.int64]:
    """Ticks of the writes among them, rising."""
    rows, signs = story.rows, story.study.evidence.signs
    found = [rows.time[rows.is_write & first_of_each(story)]]
    if signs is not None:
        kept = signs.latches()
        found.append(kept.time[kept.io == 0])
    return np.sort(np.concatenate(found))


def first_of_each(story: Story) -> NDArray[np.bool_]:
    """Whether a row is the first of its cycle: a write in doubt has one for each cell that it may have gone to."""
    found: NDArray[np.bool_] = np.diff(story.rows.index, prepend=-1) != 0
    return found
