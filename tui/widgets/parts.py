"""The card's parts on the map: what the capture says of each, the convicted ones plain from across the room."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from rich.style import Style
from rich.text import Text

from busledger.decoder.report import STATE_SIGNS, STATE_WORDS, State
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS, GROUND, WRONG
from busledger.tui.session import BoardLike

__all__ = ["States", "part_lines", "part_style", "sign_legend", "state_of"]

States = Mapping[str, tuple[State, str]]
_COLOUR: dict[State, str] = {
    "suspect": "wrong",
    "likely": "wrong",
    "rival": "caution",
    "cleared": "good",
    "open": "dim",
}
_ORDER: tuple[State, ...] = ("suspect", "likely", "rival", "cleared", "open")


def state_of(states: States, designator: str) -> State:
    """What the capture says of a part: ``open`` where nothing."""
    return states.get(designator, ("open", ""))[0]


def part_style(state: State) -> Style:
    """A bad part is a block of colour, every other one coloured text."""
    if state == "suspect":
        return Style(color=GROUND, bgcolor=WRONG, bold=True)
    return Style(color=COLOURS[_COLOUR[state]], bold=state != "open")


def _others(board: BoardLike) -> Iterator[tuple[str, str]]:
    """(kind, designator) of the parts that serve no lane of a single region."""
    yield from (("select", decoder.designator) for decoder in board.decoders)
    yield from (("data", driver.designator) for driver in board.buffers if driver.lanes)
    yield from (("address", driver.designator) for driver in board.buffers if not driver.lanes)


def _shown(designator: str, width: int) -> str:
    """A name longer than a line ends in an ellipsis: half of it alone would be another part's."""
    name = plain(designator)
    return name if len(name) <= width else name[: max(1, width - 1)] + "…"


def part_lines(board: BoardLike | None, states: States, label: int, width: int) -> list[Text]:
    """Decoders, data drivers and address drivers, each kind under its name, as many on a line as fit whole."""
    lines: list[Text] = []
    kind = ""
    for here, designator in _others(board) if board is not None else ():
        state = state_of(states, designator)
        words = f" {STATE_SIGNS[state]}{_shown(designator, width - label - 4)} "
        heading = f"{here:>{label}} " if not lines else f"  {here} "
        fits = lines and len(lines[-1]) + len(words) + (len(heading) if here != kind else 0) <= width
        if not fits:
            lines.append(Text(f"{here:>{label}} ", COLOURS["dim"], end="", no_wrap=True))
        elif here != kind:
            lines[-1].append(heading, COLOURS["dim"])
        kind = here
        lines[-1].append(words, part_style(state))
    return lines


def sign_legend(shown: Collection[State]) -> str:
    """What the signs before the parts' names mean, of those that are on the map."""
    return "   ".join(f"{STATE_SIGNS[state]} {STATE_WORDS[state]}" for state in _ORDER if state in shown)
