"""A data line that is joined to an address line, in every access: laid into the rows before they are played.

A low on either line pulls the other low. Where the address line is low the data lane is stored and read low; a write of
a low where it is high pulls the address line down, and goes to the cell for which that line is low. So no cell of the
upper half is ever written a low, and a read there pulls nothing.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay.rows import Rows
from busledger.decoder.diagnosis.replay.theory import JOINED_DATA, PathFault

__all__ = ["as_joined"]


def as_joined(fault: PathFault, rows: Rows, cells: CellSpace) -> Rows:
    """The rows with the writes as they come to the chips; of any other fault the rows as they are."""
    if fault.op != JOINED_DATA:
        return rows
    lane, line = fault.numbers
    bit, level = np.int32(line - cells.shift), np.uint32(1 << lane)
    base = np.array([*cells.base, 0], np.int32)[rows.region]  # rows outside all regions take no part
    word = rows.cell - base
    mine = rows.is_write & np.isin(rows.region, np.array(fault.regions, np.int16))
    mine &= (rows.lanes & rows.sure & level) != 0
    high = (word >> bit & 1) == 1
    low_data = (rows.data & level) == 0
    cell = np.where(mine & high & low_data, base + (word & ~(np.int32(1) << bit)), rows.cell)
    data = np.where(mine & ~high, rows.data & ~level, rows.data)
    return replace(rows, cell=cell.astype(np.int32), data=data.astype(np.uint32))
