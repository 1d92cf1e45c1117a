"""Every fault that a board could have, for those who plan before anything was captured."""

from __future__ import annotations

from typing import NamedTuple

from busledger.decoder.board import Board
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.faults.candidates import propose, total_weight, unlisted
from busledger.decoder.diagnosis.faults.kinds import ON_CARD
from busledger.decoder.diagnosis.replay.parts_view import CardView

__all__ = ["PossibleFault", "possible_faults"]


class PossibleFault(NamedTuple):
    """One fault of one part: region indexes that it hurts, data lanes as a mask, address bits, and its prior.

    Cells are not listed one by one: a ``cell`` fault stands for any cell of its chip on that lane.
    """

    fault: str
    scope: str
    component: str | None
    regions: tuple[int, ...]
    lanes: int
    lines: tuple[int, ...]
    other: int | None
    prior: float


def possible_faults(board: Board, address_bits: int, data_bits: int) -> tuple[PossibleFault, ...]:
    """All faults of ``board``'s parts with their priors (priors.toml), whatever any capture shows."""
    card = CardView.of(board, CellSpace(board.regions, address_bits, data_bits), data_bits, 0)
    wrong = {region.index: region.mask for region in card.regions}
    found = [
        PossibleFault(c.fault, c.scope, c.component, c.regions, c.mask, c.lines, c.other, c.prior)
        for c in (*propose(card, wrong, {}), *unlisted(card))
    ]
    return (*found, *_cells(card))


def _cells(card: CardView) -> list[PossibleFault]:
    """One entry a cell fault and lane of each compared region; they share the kind's prior evenly."""
    places = [
        (region.index, chip.designator, 1 << lane)
        for region in card.regions
        if region.compared
        for chip in region.chips
        for lane in range(chip.mask.bit_length())
        if chip.mask >> lane & 1
    ]
    whole = total_weight() * len(places)
    return [
        PossibleFault(kind.name, "cell", designator, (region,), lane, (), None, kind.weight("cell") / whole)
        for kind in ON_CARD
        if "cell" in kind.scopes
        for region, designator, lane in places
    ]
