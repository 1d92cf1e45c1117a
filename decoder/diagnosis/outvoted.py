"""What cells hold that nobody wrote, where a lane that is at one level at times outvoted what they hold.

Of a cell without a write or an image most reads say what it holds. Where a lane of all of them is pulled to one level
often, that may be the level that it was pulled to. A read that shows the other one tells what the fault never gives.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.scoring import Scored, rate_by_window

__all__ = ["outvoted"]

_A_STRAY = 8.0  # nats that a read costs a chip which its own faults do not explain, about, as in worth.py
_LEVELS = (lanes_kernel.LOW, lanes_kernel.HIGH)


def outvoted(scored: Scored, study: Study, rows: Rows, mine: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], float]:
    """(bool a row: reads of cells that hold the other level than most of their reads show, log of the chance that the
    fault acted in just those of them in which it must have).

    ``mine``: the reads that pass through the lane.
    """
    none = np.zeros(len(rows), np.bool_)
    fault = scored.variant.behaviour
    if not isinstance(fault, LaneFault) or fault.does not in _LEVELS or fault.mask.bit_count() != 1:
        return none, 0.0
    lane = np.uint32(fault.mask)
    pulled = (rows.data & lane != 0) == (fault.does == lanes_kernel.HIGH)
    asked = mine & (rows.compared & lane != 0)
    odd = asked & ~pulled & (rows.wrong & lane != 0)
    cells = np.unique(rows.cell[odd])
    if not len(cells):
        return none, 0.0
    settled = study.election()[1] & ~study.images()[1] & lane
    cells = np.setdiff1d(cells[settled[cells] != 0], rows.cell[rows.is_write])
    at = np.flatnonzero(asked & np.isin(rows.cell, cells))
    rate = rate_by_window(scored)[rows.window[at]]
    chance = np.where(pulled[at], np.log(rate), np.log1p(-rate))
    which = np.searchsorted(cells, rows.cell[at])
    of_cell = np.bincount(which, chance, len(cells))
    likelier = of_cell > -_A_STRAY * np.bincount(which, odd[at], len(cells))
    none[at[likelier[which]]] = True
    return none, float(of_cell[likelier].sum())
