"""What a card with several bad parts asks for: what to settle first, what to buy, and where the parts sit."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from rich.cells import cell_len
from rich.text import Text

from busledger.decoder.board import Board
from busledger.decoder.diagnosis import saying
from busledger.decoder.findings import CheckResult, NextStep
from busledger.decoder.report.card import STATE_SIGNS, STATE_STYLES, STATE_WORDS, CardPart, State, card_rows
from busledger.decoder.report.phrases import safe
from busledger.decoder.report.places import BadPlace, bad_places, named_parts, several
from busledger.decoder.report.terminal import wrap

__all__ = ["card_strip", "ordered_steps", "shopping_list"]

_STEPS_A_PLACE = 2
_DOUBTFUL = 3  # places whose steps come first


def ordered_steps(result: CheckResult) -> tuple[NextStep, ...]:
    """The engine's own order for one bad part; for several what settles the most doubtful first.

    The last step says which parts are known well enough to be replaced.
    """
    if not several(result):
        return result.next_steps
    places = bad_places(result)
    open_ones = sorted((place for place in places if place.doubtful), key=lambda place: place.bad)[:_DOUBTFUL]
    names = {part.component for part in named_parts(result)}
    # A new part that fails as well: another new one would not help.
    changed = [name for place in places if (name := place.leader.component) and _replaced(place)]
    known = tuple(f"{name} was replaced" for name in changed)
    found = {step.text: step for step in result.next_steps if step.text.startswith(known)} if known else {}
    found |= {step.text: step for step in map(_look_for, places) if step is not None}
    for place in open_ones:
        mine = [
            step
            for step in _steps_of(place, result.next_steps)
            if not any(_speaks_of(step, name) for name in names - {place.leader.component})  # no swap with a bad one
        ]
        mine.sort(key=lambda step: -(step.gain_bits or 0.0))
        found |= {step.text: step for step in mine[:_STEPS_A_PLACE]}
    sure = {place.leader.component for place in places if not place.doubtful and place.leader.component}
    sure -= set(changed)
    if sure:
        listed = saying.and_list(sorted(sure, key=saying.number_in))
        each, those, fail = ("each", "those that", "fail") if len(sure) > 1 else ("it", "it if it", "fails")
        text = (
            f"Enough is known to start with {listed}: power off, press {each} home in its socket and run the test "
            f"again; replace {those} still {fail}, and run retest to prove the repair."
        )
        found[text] = NextStep(text=text)
    return tuple(found.values()) or result.next_steps


def _look_for(place: BadPlace) -> NextStep | None:
    """What to look for where no part is to blame but what joins them: no step to come speaks of it by name."""
    if place.leader.component:
        return None
    words = saying.remedy(place.leader)
    return NextStep(text=f"{words[:1].upper()}{words[1:]}.")


def _steps_of(place: BadPlace, steps: Sequence[NextStep]) -> list[NextStep]:
    """The steps that speak of a place's part; where the board file names none of its region, or of its lanes."""
    name = place.leader.component or place.leader.region
    words = [name] if name else list(place.leader.lanes)
    return [step for step in steps if any(_speaks_of(step, word) for word in words)]


def _replaced(place: BadPlace) -> bool:
    """Whether the bench has said that the part was replaced before this capture."""
    return place.leader.detail.get("told") == "replaced"


def _speaks_of(step: NextStep, word: str) -> bool:
    return re.search(rf"(?<!\w){re.escape(word)}(?!\w)", step.text) is not None


def shopping_list(board: Board | None, result: CheckResult) -> list[str]:
    """Every bad part by its type: ``7 × 2147: B4, B7 ...``, but for those that were replaced already; nothing for one
    bad part, or without a board file."""
    if board is None or not several(result):
        return []
    types = _types(board)
    new = {place.leader.component for place in bad_places(result) if _replaced(place)}
    by_type: dict[str, list[str]] = {}
    for part in sorted(named_parts(result), key=lambda part: saying.number_in(part.component)):
        if part.component in types and part.component not in new:
            by_type.setdefault(types[part.component], []).append(part.component)
    return [f"{len(names)} × {safe(kind)}: {safe(', '.join(names))}" for kind, names in sorted(by_type.items())]


def _types(board: Board) -> dict[str, str]:
    chips = ((chip.designator, chip.part) for region in board.regions for chip in region.chips)
    decoders = ((decoder.designator, decoder.part) for decoder in board.decoders)
    buffers = ((buffer.designator, buffer.part) for buffer in board.buffers)
    parts = (*chips, *decoders, *buffers)
    return {name: part.name if part is not None else "type not stated" for name, part in parts}


def card_strip(board: Board | None, result: CheckResult, width: int) -> Iterator[Text]:
    """The card small enough for 40 chips on one screen: a line a row, a sign and a colour for each part."""
    if board is None or not several(result):
        return
    rows = card_rows(board, result)
    names = [cell_len(part.name) for row in rows for part in row.parts if part is not None]
    cell = max(names, default=1) + 2
    label = min(12, width // 3, max((cell_len(row.label) for row in rows), default=0)) + 1
    fit = max(1, (width - label) // cell)
    used: dict[State, None] = {}
    for row in rows:
        for start in range(0, len(row.parts), fit):
            line = Text((row.label if not start else "")[: label - 1].ljust(label))
            for part in row.parts[start : start + fit]:
                _put(line, part, cell)
                used |= {} if part is None else {part.state: None}
            line.rstrip()
            yield line
    order: tuple[State, ...] = ("suspect", "likely", "rival", "cleared", "open")
    legend = ", ".join(f"{STATE_SIGNS[state]} {STATE_WORDS[state]}" for state in order if state in used)
    yield from (Text(part, style="dim") for part in wrap(legend, width))


def _put(line: Text, part: CardPart | None, cell: int) -> None:
    if part is None:
        line.append(" " * cell)
        return
    text = f"{STATE_SIGNS[part.state]}{part.name}"
    line.append(text, style=STATE_STYLES[part.state])
    line.append(" " * (cell - cell_len(text)))
