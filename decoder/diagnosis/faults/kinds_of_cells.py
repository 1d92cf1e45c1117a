"""Faults of single cells, and chips that lose their value with time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant, bits_of
from busledger.decoder.diagnosis.replay.parts_view import CardView, RegionView
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay, LaneFault
from busledger.decoder.findings import ScopeName

__all__ = ["coupled_cells", "leaky", "leaky_cells", "stuck_cells"]

_COUPLED_AT_MOST = 6  # failing cells; more than that do not fail for one cell's sake


def stuck_cells(fault: Any, level: int, cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        for lane in bits_of(mask):
            region = _region_of_cell(card, cell)
            chip = _chip_of(region, 1 << lane)
            behaviour = LaneFault(level, 1 << lane, (region.index,), cell)
            yield Candidate(fault, "cell", chip, region.index, 1 << lane, (Variant(1.0, behaviour),), cell=cell)


def _region_of_cell(card: CardView, cell: int) -> RegionView:
    at = 0
    for region in card.regions:
        at += 1 << region.span_bits
        if cell < at:
            return region
    raise AssertionError("a cell outside every region")


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
    shown = [
        Variant(0.25, Decay(mask, (region.index,), high, renewed, -1 if cell is None else cell), word + renews)
        for high, word in ((False, "goes low"), (True, "goes high"))
        for renewed, renews in (
            (False, " with the time since it was written"),
            (True, " unless read or written in time"),
        )
    ]
    scope: ScopeName = "chip" if cell is None else "cell"
    return Candidate("leaky", scope, designator, region.index, mask, tuple(shown), cell=cell)


def leaky_cells(cells: Mapping[int, int], card: CardView) -> Iterator[Candidate]:
    for cell, mask in cells.items():
        region = _region_of_cell(card, cell)
        for lane in bits_of(mask) if region.writable else []:
            yield leaky(region, _chip_of(region, 1 << lane), 1 << lane, cell)
