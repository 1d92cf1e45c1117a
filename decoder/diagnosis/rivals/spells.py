"""Memory of two banks that something switches now and then, whatever the program is at.

The other bank may hold what nobody has seen yet, so that what reads give says little of when it was switched in: told
are the moments that leave the least to be explained, moved about from where the wrong reads lie.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.rivals.spells_kernel import settle_spells

__all__ = ["banks_by_spells"]

# Judged; the second is that of a hard fault (HARD), the third about what contents cost that a program left.
_CONTRADICTS, _UNKNOWN = 9.0, 1.0  # nats of a read that its bank contradicts, and of one of which it knows nothing
_FEW = 3.0  # switches that a capture shows: what one costs follows from that
_MOST, _SWEEPS = 4096, 8  # bounds of work: accesses that are looked at, and how often
_PER_SWITCH = 2  # wrong reads for a switch, at least: as in banks.py


def banks_by_spells(rows: Rows) -> list[NDArray[np.uint8]]:
    """The bank of each access, uint8, 0 or 1, begun from each of two guesses: that an access is of the bank of the next
    read that is compared, or of the last one, those that came wrong being of another than those that came right."""
    asked = ~rows.is_write & (rows.compared != 0)
    reads = np.flatnonzero(asked)
    if not len(reads) or len(rows) > _MOST:
        return []
    wrong = rows.wrong[reads] != 0
    if _PER_SWITCH * np.count_nonzero(np.diff(wrong)) > np.count_nonzero(wrong):
        return []
    cells, cell = np.unique(rows.cell, return_inverse=True)
    content, known = np.zeros(2 * len(cells), np.uint32), np.zeros(2 * len(cells), np.uint32)
    prices = np.array([math.log(max(2.0, len(rows) / _FEW)), _CONTRADICTS, _UNKNOWN])
    found = []
    at = np.arange(len(rows))
    for read in (np.searchsorted(reads, at), np.searchsorted(reads, at, side="right") - 1):
        bank = wrong[np.clip(read, 0, len(reads) - 1)].astype(np.uint8)
        settle_spells(
            cell.astype(np.int32), rows.is_write, rows.data, rows.sure, rows.lanes, asked, bank, content, known,
            prices, _SWEEPS,
        )  # fmt: skip
        found.append(bank)
    return found
