"""The card as rows of parts, each with what the capture says of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from busledger.decoder.board import Board, ParityChip, Region
from busledger.decoder.findings import CheckResult
from busledger.decoder.marks import Marks
from busledger.decoder.report.numbers import lane_ranges, percent
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.places import SURE, places_of

__all__ = ["STATE_SIGNS", "STATE_STYLES", "STATE_WORDS", "CardPart", "CardRow", "State", "card_rows", "part_states"]

State = Literal["suspect", "likely", "rival", "cleared", "open"]
STATE_WORDS: dict[State, str] = {
    "suspect": "bad",
    "likely": "suspect",
    "rival": "less likely",
    "cleared": "cleared",
    "open": "not judged",
}
# A sign beside the colour: who cannot tell red from green, and paper, see the same.
STATE_SIGNS: dict[State, str] = {"suspect": "✗", "likely": "?", "rival": "~", "cleared": "✓", "open": "·"}
STATE_STYLES: dict[State, str] = {
    "suspect": "bold red",
    "likely": "bold yellow",
    "rival": "yellow",
    "cleared": "green",
    "open": "",
}
_LEAST = 0.005  # rivals below this are not marked


@dataclass(frozen=True, slots=True)
class CardPart:
    """One part as drawn: three short lines of text and what the capture says of it."""

    name: str
    part: str
    serves: str
    state: State = "open"
    probability: str = ""


@dataclass(frozen=True, slots=True)
class CardRow:
    """Parts side by side; None is an empty place. ``label`` and ``detail`` stand before them."""

    label: str
    detail: str
    parts: tuple[CardPart | None, ...]


def card_rows(board: Board, result: CheckResult | None = None) -> tuple[CardRow, ...]:
    """The card by the rows and columns of the board file; where it gives none, a row a region, by lane, the highest
    first as in the tables of lanes.

    Decoders and drivers follow in rows of their own. Text is safe for a terminal.
    """
    judge = _Judge(result)
    placed = [(region, chip) for region in board.regions for chip in region.chips if chip.row is not None]
    rows: list[CardRow] = []
    for number in sorted({chip.row for _, chip in placed if chip.row is not None}):
        here = [(region, chip) for region, chip in placed if chip.row == number]
        columns = [chip.column if chip.column is not None else k for k, (_, chip) in enumerate(here)]
        shelf: list[CardPart | None] = [None] * (max(columns) - min(columns) + 1)
        for column, (region, chip) in zip(columns, here, strict=True):
            shelf[column - min(columns)] = judge.part(
                chip.designator, _name(chip.part), _chip_serves(region, chip.lanes)
            )
        rows.append(CardRow(f"row {number}", "", tuple(shelf)))
    for region in board.regions:
        loose = sorted((chip for chip in region.chips if chip.row is None), key=lambda chip: chip.lanes, reverse=True)
        if loose or not region.chips:
            parts = tuple(judge.part(c.designator, _name(c.part), _lanes(c.lanes)) for c in loose)
            rows.append(CardRow(safe(region.name), f"{region.start:04X}-{region.end:04X}", parts))
    rows += _support(board, judge)
    return tuple(rows)


def _support(board: Board, judge: _Judge) -> Iterable[CardRow]:
    if board.parity:
        ninth = (judge.part(one.chip.designator, _name(one.chip.part), _parity_of(one)) for one in board.parity)
        yield CardRow("parity", "", tuple(ninth))
    if board.decoders:
        marks = Marks(board.active_low())
        makes = ((d, lane_ranges(map(marks.name, d.outputs.values()))) for d in board.decoders)
        made = (judge.part(d.designator, _name(d.part), lines) for d, lines in makes)
        yield CardRow("selects", "", tuple(made))
    if board.buffers:
        carried = ((b, _lanes(b.lanes) if b.lanes else lane_ranges(b.lines)) for b in board.buffers)
        yield CardRow("drivers", "", tuple(judge.part(b.designator, _name(b.part), lines) for b, lines in carried))


def part_states(result: CheckResult) -> dict[str, tuple[State, str]]:
    """What the result says of each component that it names: its state, and its chance in words where there is one."""
    found: dict[str, tuple[State, str]] = {cleared.component: ("cleared", "") for cleared in result.cleared}
    # The least likely first, so that a part's strongest suspicion is what stays.
    for suspect in sorted(result.suspects, key=lambda s: s.probability):
        if suspect.component is not None and suspect.probability >= _LEAST:
            found[suspect.component] = ("rival", percent(suspect.probability))
    for place in sorted(places_of(result), key=lambda place: place.bad):
        for suspect in (*place.tied, place.leader):
            bad = place.bad if suspect is place.leader else suspect.probability
            if suspect.component is not None and bad >= _LEAST:
                state: State = "suspect" if bad >= SURE else "likely"
                found[suspect.component] = (state, percent(bad))
    return found


class _Judge:
    """What the result says of each component by name."""

    def __init__(self, result: CheckResult | None) -> None:
        self._state = {} if result is None else part_states(result)

    def part(self, name: str, part: str, serves: str) -> CardPart:
        state, probability = self._state.get(name, ("open", ""))
        return CardPart(safe(name), safe(part), safe(serves), state, probability)


def _parity_of(one: ParityChip) -> str:
    return f"{one.region} parity" if one.byte is None else f"{one.region} parity P{one.byte}"


def _name(part: object) -> str:
    return str(getattr(part, "name", "")) if part is not None else ""


def _lanes(lanes: Iterable[int]) -> str:
    return lane_ranges(f"D{bit}" for bit in lanes)


def _chip_serves(region: Region, lanes: Iterable[int]) -> str:
    return f"{region.name} {_lanes(lanes)}"
