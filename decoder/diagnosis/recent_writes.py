"""What a read through an address fault, or after a lost write, should have given on lanes that were not looked at.

That it was the fault's doing, the other lanes have shown; which of its doings, they show as well: of the last two
writes to the cell and to those that the fault confuses with it, the latest that they agree with.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import Maps

__all__ = ["given_elsewhere"]


def given_elsewhere(
    rows: Rows, maps: Maps, taken: NDArray[np.bool_], seen: NDArray[np.uint32]
) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
    """(word, lanes that it is known on), uint32 a row, of the reads ``taken``; ``seen``: lanes that were looked at.

    Where no such write agrees nothing is known.
    """
    word, known = (np.zeros(len(rows), np.uint32) for _ in range(2))
    at = np.flatnonzero(taken)
    if not len(at):
        return word, known
    wrote = np.flatnonzero(rows.is_write)
    keys = rows.cell[wrote].astype(np.int64) * len(rows) + wrote
    order = np.argsort(keys)
    keys, wrote = keys[order], wrote[order]
    open_ = np.ones(len(at), np.bool_)
    looked_at = rows.compared[at] & seen[at]
    cell = rows.cell[at].astype(np.int64)
    back = np.full(len(maps.w1), -1, np.int64)  # of each cell one that the fault confuses with it
    for leads in (maps.w2, maps.w1):
        there = np.flatnonzero((leads >= 0) & (leads != np.arange(len(leads))))
        back[leads[there]] = there
    for place in (maps.r1[cell], back[cell], maps.r2[cell], cell):
        for ago in (1, 2):
            k = np.searchsorted(keys, place.astype(np.int64) * len(rows) + at) - ago
            row = wrote[np.maximum(k, 0)] if len(wrote) else k
            fits = open_ & (k >= 0) & (place >= 0)
            fits[fits] = rows.cell[row[fits]] == place[fits]
            of = row[fits]
            agrees = (rows.data[of] ^ rows.data[at[fits]]) & looked_at[fits] == 0
            agrees &= looked_at[fits] & ~rows.sure[of] == 0
            found = np.flatnonzero(fits)[agrees]
            word[at[found]] = rows.data[of[agrees]]
            known[at[found]] = rows.sure[of[agrees]]
            open_[found] = False
    return word, known
