"""What a fault does to the card, as data that the replay kernels understand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import lanes_kernel, memory_kernel

__all__ = [
    "JOINED_DATA",
    "OWN_SELECT",
    "Behaviour",
    "CoupledCell",
    "Decay",
    "LaneFault",
    "Maps",
    "PathFault",
    "maps_of",
]

Cells = NDArray[np.int32]
JOINED_DATA = "joined-data"  # a data lane and an address line are one (see joined_data)
# One chip answers for other rows too: throughout, or missing at times where it is asked itself.
OWN_SELECT = ("also-selected", "select-floats")

BENDS = {
    lanes_kernel.LOW: memory_kernel.BENDS_LOW,
    lanes_kernel.HIGH: memory_kernel.BENDS_HIGH,
    lanes_kernel.KEPT: memory_kernel.BENDS_FLOAT,
    lanes_kernel.KEPT_BY_CARD: memory_kernel.BENDS_FLOAT,
    lanes_kernel.KEPT_FROM_BUS: memory_kernel.BENDS_FLOAT,
    lanes_kernel.AND: memory_kernel.BENDS_AND,
    lanes_kernel.OR: memory_kernel.BENDS_OR,
}


class LaneFault(NamedTuple):
    """Reads come out bent: ``does`` and ``mask`` as in lanes_kernel; ``cell`` -1 = any.

    ``writes``: the part carries writes too, so a fault that comes and goes also leaves bent data in the cells.
    """

    does: int
    mask: int
    regions: tuple[int, ...]
    cell: int = -1
    writes: bool = False


class PathFault(NamedTuple):
    """Accesses go astray: ``op`` with its ``numbers`` says where (``maps_of``)."""

    op: str
    numbers: tuple[int, ...]
    mask: int
    regions: tuple[int, ...]
    stores: int = memory_kernel.STORES_DATA
    floats: int = memory_kernel.KEEPS
    joins: int = memory_kernel.LOW_WINS
    bends: int = memory_kernel.BENDS_NOT
    bad_lanes: int = 0
    acts: int = 0


class Decay(NamedTuple):
    """``mask`` lanes of a chip (of one ``cell``, -1 = all) go ``high`` or low with age; reads may renew the value."""

    mask: int
    regions: tuple[int, ...]
    high: bool
    refreshes: bool
    cell: int = -1


class CoupledCell(NamedTuple):
    """One bit (``mask``) of ``cell`` changes when another cell of its chip (``chip_mask``) is written."""

    cell: int
    mask: int
    regions: tuple[int, ...]
    chip_mask: int


Behaviour = LaneFault | PathFault | Decay | CoupledCell


@dataclass(frozen=True)
class Maps:
    """int32 a cell: the cells that an access to it writes and reads, -1 = none."""

    w1: Cells
    w2: Cells
    r1: Cells
    r2: Cells


def maps_of(fault: PathFault, cells: CellSpace) -> Maps:
    """The four maps of a path fault over all cells."""
    same, none = cells.identity, cells.nowhere
    op, numbers = fault.op, fault.numbers
    if op in ("stays", JOINED_DATA):
        return Maps(same, none, same, none)
    if op == "write-lost":
        return Maps(cells.silent(fault.regions), none, same, none)
    if op == "read-lost":
        return Maps(same, none, cells.silent(fault.regions), none)
    if op == "silent":
        gone = cells.silent(fault.regions)
        return Maps(gone, none, gone, none)
    if op == "extra":
        *asked, answers = numbers
        more = cells.beside(asked, answers)
        return Maps(same, more, same, more)
    if op in OWN_SELECT:
        more = cells.elsewhere_all(numbers[0], fault.regions)
        own = same if op == "also-selected" else cells.silent(numbers)
        return Maps(own, more, own, more)
    if op == "swapped":
        there = _swapped(cells, *numbers)
        return Maps(there, none, there, none)
    if op == "forced":
        there = cells.forced(*numbers)
    elif op == "joined":
        region, one, two, high = numbers
        there = cells.joined(region, one, two, bool(high))
    elif op == "forced-board":
        *bits, level = numbers
        there = cells.forced_on_board(fault.regions, bits, level)
    elif op == "joined-board":
        one, two, high = numbers
        there = cells.joined_on_board(fault.regions, one, two, bool(high))
    else:
        raise AssertionError(f"no such behaviour: {op}")
    return Maps(there, none, there, none)


def _swapped(cells: CellSpace, region: int, other: int) -> Cells:
    there = cells.identity.copy()
    for a, b in ((region, other), (other, region)):
        span = cells.span(a)
        there[span] = cells.elsewhere(a, b)[span]
    return there
