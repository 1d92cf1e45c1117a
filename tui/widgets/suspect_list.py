"""The short list of suspects beside the map, as rich as its room allows."""

from __future__ import annotations

from textwrap import wrap

from rich.cells import cell_len
from rich.text import Text

from busledger.decoder.diagnosis import KINDS, saying
from busledger.decoder.figures import percent
from busledger.decoder.findings import CheckResult, Suspect
from busledger.decoder.report import LIKELY, STATE_SIGNS, BadPlace, State, ordered_steps, part_states, places_of
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS
from busledger.tui.state import BrowserState
from busledger.tui.widgets.clicking import acts
from busledger.tui.widgets.parts import part_style
from busledger.tui.widgets.suspects import bar, flowing
from busledger.tui.wording import ranges_text

__all__ = ["fitting_list", "leaders_list", "suspect_list"]


def _name(suspect: Suspect) -> str:
    return f"{plain(suspect.component or suspect.region or saying.who(suspect))} {_does(suspect)}"


def _does(suspect: Suspect) -> str:
    lanes = plain(ranges_text((*suspect.lanes, *suspect.address_lines)), 24)
    does = KINDS[suspect.fault].short
    if "scatter" in suspect.detail:  # the same kind, told apart by which cells it is
        does = "bad cells, scattered"
    elif "where_lines" in suspect.detail:
        does += " in some cells"
    if suspect.scope == "clip" and not (suspect.component or suspect.region):  # the lanes stand in its name already
        return does.removeprefix("clip ")
    return f"{does} {lanes}".rstrip()


def suspect_list(result: CheckResult, state: BrowserState, summaries: int) -> Text:
    """Rank, probability, name, under a heading for each place where there are several.

    ``summaries``: the width for a summary of each, if there is room for them; 0: none.
    """
    text = Text(end="")
    if not result.suspects:
        text.append("No suspects.\n", f"bold {COLOURS['good'] if not result.mismatch_total else COLOURS['caution']}")
    places = places_of(result)
    states = part_states(result)
    for place in places:
        if len(places) > 1:
            _heading(text, place, states)
        for suspect in place.suspects:
            _listed(text, suspect, result.suspects.index(suspect) == state.suspect, summaries)
    steps = ordered_steps(result)
    if steps:
        text.append("Next: " if summaries else "\nNext: ", f"bold {COLOURS['accent']}")
        text.append(f"{plain(steps[0].text, 300)}\n", COLOURS["text"])
    return text


def _heading(text: Text, place: BadPlace, states: dict[str, tuple[State, str]]) -> None:
    """What leads a place, drawn as on the map, and the chance that it is bad."""
    judged = _judged(place, states)
    name = plain(place.leader.component or saying.place(place.leader))
    text.append(f"{STATE_SIGNS[judged]}{name}", part_style(judged))
    text.append(f"{' is bad' if place.on_card else ''}, {flowing(percent(place.bad))}\n", f"bold {COLOURS['text']}")


def _judged(place: BadPlace, states: dict[str, tuple[State, str]]) -> State:
    otherwise: State = "likely" if place.bad >= LIKELY else "rival"
    return states.get(place.leader.component or "", (otherwise, ""))[0]


def _listed(text: Text, suspect: Suspect, chosen: bool, summaries: int) -> None:
    start = len(text)
    key = str(suspect.rank) if suspect.rank < 10 else " "
    text.append("▶" if chosen else " ", f"bold {COLOURS['accent']}")
    text.append(f"{key} ", f"bold {COLOURS['key']}")
    text.append(f"{flowing(percent(suspect.probability)):>5} ", f"bold {COLOURS['text']}")
    text.append(_name(suspect), COLOURS["text"])
    text.append(" at times\n" if suspect.intermittent and summaries else "\n", COLOURS["dim"])
    if summaries:
        text.append(f"    {bar(suspect.probability, 20)}\n", COLOURS["wrong"])
        for line in wrap(plain(suspect.summary, 300), max(20, summaries - 6)):
            text.append(f"    {line}\n", COLOURS["dim"])
        text.append("\n")
    text.stylize(acts(f"screen.suspect({suspect.rank})"), start)


def fitting_list(result: CheckResult, state: BrowserState, width: int, height: int) -> Text:
    """The richest list that fits: with summaries, a line a suspect, or a line a place and how many more there are."""
    for text in (suspect_list(result, state, width), suspect_list(result, state, 0)):
        if _lines(text, width) <= height:
            return text
    return leaders_list(result, state, width, height)


def _lines(text: Text, width: int) -> int:
    """How many lines a text takes once it is wrapped, about."""
    return sum(max(1, -(-cell_len(line) // max(1, width - 3))) for line in text.plain.rstrip("\n").split("\n"))


def leaders_list(result: CheckResult, state: BrowserState, width: int, height: int) -> Text:
    """One line for what leads each place, with its sign on the map; then the next step as far as there is room."""
    places, states = places_of(result), part_states(result)
    shown = places if len(places) <= height else places[: max(1, height - 1)]
    text = Text(end="")
    for place in shown:
        _leader(text, result, place, state, states, width)
    if len(shown) < len(places):
        text.append(f" and {len(places) - len(shown)} more: y, then → for each\n", COLOURS["key"])
    steps = ordered_steps(result)
    if steps and height - len(shown) > 3:
        text.append("\nNext: ", f"bold {COLOURS['accent']}")
        text.append(f"{plain(steps[0].text, 300)}\n", COLOURS["text"])
    return text


def _leader(
    text: Text,
    result: CheckResult,
    place: BadPlace,
    state: BrowserState,
    states: dict[str, tuple[State, str]],
    width: int,
) -> None:
    suspect = place.leader
    start = len(text)
    chosen = result.suspects.index(suspect) == state.suspect
    text.append("▶" if chosen else " ", f"bold {COLOURS['accent']}")
    text.append(f"{suspect.rank if suspect.rank < 10 else '·'} ", f"bold {COLOURS['key']}")
    judged = _judged(place, states)
    name = plain(suspect.component or saying.place(suspect))
    text.append(f"{STATE_SIGNS[judged]}{name}", part_style(judged))
    told = f" {_does(suspect)}"
    share = "" if judged == "suspect" else f" {flowing(percent(place.bad))}"
    room = width - (len(text) - start) - len(share) - 1
    if room < 0:
        share, room = "", room + len(share)
    text.append(told if len(told) <= room else told[: max(0, room - 1)] + "…", COLOURS["text"])
    text.append(f"{share}\n", COLOURS["dim"])
    text.stylize(acts(f"screen.suspect({suspect.rank})"), start)
