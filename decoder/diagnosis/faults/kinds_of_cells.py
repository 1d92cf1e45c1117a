"""Faults of single cells, and chips that lose their value with time."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping
from itertools import accumulate

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of, priors
from busledger.decoder.diagnosis.replay.parts_view import CardView, RegionView
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay, LaneFault
from busledger.decoder.findings import FaultName, ScopeName

__all__ = ["coupled_cells", "leaky", "leaky_cells", "stuck_cells"]

# Failing cells; more do not fail for one cell's sake. Our estimate: one defect reaches the few cells around it.
_COUPLED_AT_MOST = 6


def stuck_cells(fault: FaultName, level: int, cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        for lane in bits_of(mask):
            region = _region_of_cell(card, cell)
            chip = _chip_of(region, 1 << lane)
            behaviour = LaneFault(level, 1 << lane, (region.index,), cell)
            yield Candidate(fault, "cell", chip, region.index, 1 << lane, (Variant(1.0, behaviour),), cell=cell)


def _region_of_cell(card: CardView, cell: int) -> RegionView:
    ends: list[int] | None = card.memo.get("ends of regions")
    if ends is None:
        ends = card.memo["ends of regions"] = list(accumulate(1 << region.span_bits for region in card.regions))
    return card.regions[bisect_right(ends, cell)]


def _chip_of(region: RegionView, mask: int) -> str | None:
    return next((chip.designator for chip in region.chips if chip.mask & mask and chip.designator), None)


def coupled_cells(cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        region = _region_of_cell(card, cell)
        for lane in bits_of(mask) if region.writable and len(cells) <= _COUPLED_AT_MOST else []:
            chip = next((c.mask for c in region.chips if c.mask >> lane & 1), region.mask)
            behaviour = CoupledCell(cell, 1 << lane, (region.index,), chip)
            designator = _chip_of(region, 1 << lane)
            yield Candidate(
                "coupled", "cell", designator, region.index, 1 << lane, (Variant(1.0, behaviour),), cell=cell
            )


def leaky(region: RegionView, designator: str | None, mask: int, cell: int | None) -> Candidate:
    ends, renewal = priors()["variant"]["decay"], priors()["variant"]["renewal"]
    shown = [
        Variant(w * share, Decay(mask, (region.index,), high, renewed, -1 if cell is None else cell), word + renews)
        for w, high, word in ((ends["low"], False, "goes low"), (ends["high"], True, "goes high"))
        for share, renewed, renews in (
            (renewal["by_write"], False, " with the time since it was written"),
            (renewal["by_access"], True, " unless read or written in time"),
        )
    ]
    scope: ScopeName = "chip" if cell is None else "cell"
    return Candidate("leaky", scope, designator, region.index, mask, tuple(shown), cell=cell)


def leaky_cells(cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        region = _region_of_cell(card, cell)
        for lane in bits_of(mask) if region.writable else []:
            yield leaky(region, _chip_of(region, 1 << lane), 1 << lane, cell)
