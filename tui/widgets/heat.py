"""Where it hurts: regions by lanes, the chips laid under them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import groupby

from rich.text import Text
from textual.widget import Widget

from busledger.decoder.findings import CheckResult, LaneCounts, RegionCounts
from busledger.decoder.report import places_of
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS, GROUND, HEAT, SELECTED
from busledger.tui.session import BoardLike, ChipLike
from busledger.tui.state import BrowserState
from busledger.tui.wording import thousands

__all__ = [
    "NAME_WIDTH",
    "HeatMap",
    "cell_words",
    "chips_of",
    "heat_lines",
    "heat_step",
    "lane_counts",
    "region_words",
    "share_text",
    "worst_cell",
]

NAME_WIDTH = 9
_SIGNS = (" ", "░", "▒", "▓", "█")
# Shares of compared reads that are wrong from which a cell takes the next sign and ground.
_LEGEND = (
    "",
    "per cent of compared reads that are wrong:",
    "· none  ░ under 1  ▒ 10  ▓ 50  █ more",
    "- nothing compared   ✗ suspect   ✓ cleared",
)
_STEPS = (0.0, 0.01, 0.1, 0.5)


def heat_step(wrong: int, compared: int) -> int:
    """0 nothing wrong (or nothing compared), 1 to 4 by the share that is wrong."""
    if not wrong:
        return 0
    return sum(wrong / compared >= step for step in _STEPS)


def share_text(wrong: int, compared: int) -> str:
    """A share in at most three characters: ``-`` nothing compared, ``·`` none, ``<1``, ``37``, ``100`` per cent."""
    if not compared:
        return "-"
    if not wrong:
        return "·"
    share = 100 * wrong / compared
    if share < 1:
        return "<1"
    return "100" if wrong == compared else str(min(99, round(share)))


def lane_counts(region: RegionCounts, lane: int) -> LaneCounts | None:
    """The counts of a lane, None where the ledger has none."""
    return next((counts for counts in region.lanes if counts.lane == f"D{lane}"), None)


def chips_of(board: BoardLike | None, region: str) -> Sequence[ChipLike]:
    """The chips of a region by its name; none without a board."""
    if board is None:
        return ()
    return next((tuple(r.chips) for r in board.regions if r.name == region), ())


def worst_cell(result: CheckResult) -> tuple[int, int] | None:
    """Region and lane with the most wrong reads; None where nothing is wrong."""
    cells = [
        (counts.low_for_high + counts.high_for_low, -number, int(counts.lane[1:]))
        for number, region in enumerate(result.regions)
        for counts in region.lanes
        if counts.lane[1:].isdigit()
    ]
    wrong, place, lane = max(cells, default=(0, 0, 0))
    return (-place, lane) if wrong else None


def _cell_width(lanes: int, width: int) -> int:
    return max(3, min(9, (width - NAME_WIDTH - 1) // max(1, lanes)))


def heat_lines(
    result: CheckResult, board: BoardLike | None, lanes: int, state: BrowserState, width: int
) -> tuple[Text, list[tuple[Text, Text]]]:
    """The heading, and for each region its row of cells and the row of its chips, highest lane at the left."""
    cell = _cell_width(lanes, width)
    heading = Text(" " * (NAME_WIDTH + 1), end="")
    for lane in reversed(range(lanes)):
        chosen = lane == state.lane
        heading.append(f"D{lane}".center(cell), f"bold {COLOURS['text']}" if chosen else COLOURS["accent"])
    led = [s for place in places_of(result) for s in (place.leader, *place.tied)]
    accused = {s.component for s in led if s.component}
    cleared = {c.component for c in result.cleared} - accused
    rows = []
    for number, region in enumerate(result.regions):
        chosen_row = number == state.region
        name = plain(region.name)
        name = name if len(name) <= NAME_WIDTH else name[: NAME_WIDTH - 1] + "…"
        cells = Text(
            f"{name:>{NAME_WIDTH}} ", f"bold {COLOURS['text']}" if chosen_row else COLOURS["dim"], end="", no_wrap=True
        )
        for lane in reversed(range(lanes)):
            _cell(cells, lane_counts(region, lane), cell, chosen_row and lane == state.lane)
        chips = Text(" " * (NAME_WIDTH + 1), end="", no_wrap=True)
        _chips(chips, chips_of(board, region.name), lanes, cell, accused, cleared)
        rows.append((cells, chips))
    return heading, rows


def _cell(text: Text, counts: LaneCounts | None, width: int, chosen: bool) -> None:
    compared = counts.compared if counts else 0
    wrong = counts.low_for_high + counts.high_for_low if counts else 0
    step = heat_step(wrong, compared)
    words = share_text(wrong, compared)
    ground, colour = HEAT[step]
    if chosen:
        text.append(f"[{words.center(width - 2)}]", f"bold {COLOURS['text']} on {SELECTED}")
    elif width > 3:
        text.append(f"{_SIGNS[step]}{words.center(width - 1)}", f"{colour} on {ground}")
    else:
        text.append(words.center(width), f"{colour} on {ground}")


def _chips(
    text: Text, chips: Sequence[ChipLike], lanes: int, cell: int, accused: Collection[str], cleared: Collection[str]
) -> None:
    """Brackets under the lanes that a chip serves; ``✗`` before a suspect, ``✓`` before a cleared one."""
    by_lane = {lane: chip.designator for chip in chips for lane in chip.lanes}
    for designator, run in groupby(reversed(range(lanes)), key=by_lane.get):
        width = cell * len(list(run))
        if designator is None:
            text.append(" " * width)
            continue
        sign, colour = (
            ("✗", "wrong") if designator in accused else ("✓", "good") if designator in cleared else ("", "dim")
        )
        text.append(_bracket(plain(designator), sign, width), f"bold {COLOURS[colour]}" if sign else COLOURS[colour])


def _bracket(name: str, sign: str, width: int) -> str:
    """A chip's lanes with its name, whole or not at all: half a name would be another chip's."""
    words = sign + name
    if len(words) <= width - 2:
        return f"└{words.center(width - 2, '─')}┘"
    if len(words) <= width - 1:  # a blank is left, so that names side by side stay apart
        return words.center(width)
    return f"└{(sign or '─').center(width - 2, '─')}┘"


def cell_words(result: CheckResult, board: BoardLike | None, state: BrowserState) -> Text:
    """The chosen cell's counts and its chip, in a sentence."""
    if state.region is None or state.lane is None or state.region >= len(result.regions):
        return Text("Choose a cell with the arrow keys.", COLOURS["dim"])
    region = result.regions[state.region]
    counts = lane_counts(region, state.lane)
    text = Text()
    place = f"{plain(region.name)} D{state.lane}"
    chip = next((c.designator for c in chips_of(board, region.name) if state.lane in c.lanes), None)
    if region.start is not None and region.end is not None:
        span = f"{region.start:04X}-{region.end:04X}"
        place += f" ({span})" if span != region.name else ""
    text.append(place, f"bold {COLOURS['text']}")
    if chip is not None:
        text.append(f" is {plain(chip)}", COLOURS["accent"])
    if counts is None or not counts.compared:
        text.append(": no read of it could be compared.", COLOURS["dim"])
        return text
    wrong = counts.low_for_high + counts.high_for_low
    colour = COLOURS["wrong" if wrong else "good"]
    text.append(f": {thousands(wrong)} of {thousands(counts.compared)} compared reads wrong", colour)
    if wrong:
        low, high = thousands(counts.low_for_high), thousands(counts.high_for_low)
        text.append(f" ({low} low for high, {high} high for low)", colour)
    text.append(".", colour)
    return text


def region_words(result: CheckResult, state: BrowserState) -> Text:
    """What the chosen region was used for, in a line; empty where none is chosen."""
    text = Text()
    if state.region is None or state.region >= len(result.regions):
        return text
    region = result.regions[state.region]
    text.append(
        f"region: {thousands(region.writes)} writes, {thousands(region.reads)} reads,"
        f" {thousands(region.reads_unknown)} never written, {thousands(region.reads_stale)} stale,"
        f" {thousands(region.reads_disagree)} disagree.",
        COLOURS["dim"],
    )
    return text


class HeatMap(Widget):
    """Draws ``heat_lines``; the chosen region is kept in view."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._shown: tuple[CheckResult, BoardLike | None, int, BrowserState] | None = None
        self._top = 0

    def show(self, result: CheckResult, board: BoardLike | None, lanes: int, state: BrowserState) -> None:
        """Draw this state."""
        self._shown = (result, board, lanes, state)
        self.refresh()

    def render(self) -> Text:
        """Heading and as many regions as fit."""
        if self._shown is None:
            return Text("")
        result, board, lanes, state = self._shown
        heading, rows = heat_lines(result, board, lanes, state, self.size.width)
        text = Text(no_wrap=True, end="", style=f"on {GROUND}")
        text.append_text(heading)
        if not rows:
            text.append("\nThere are no regions: nothing was both written and read.", COLOURS["caution"])
            return text
        lines = (
            3 if 1 + 3 * len(rows) + len(_LEGEND) <= self.size.height else 2
        )  # air between regions, if there is room
        room = max(1, (self.size.height - 1) // lines)
        at = min(state.region or 0, len(rows) - 1)
        self._top = max(min(self._top, at, max(0, len(rows) - room)), at - room + 1)
        for cells, chips in rows[self._top : self._top + room]:
            text.append("\n")
            text.append_text(cells)
            text.append("\n")
            text.append_text(chips)
            text.append("\n" * (lines - 2))
        if 1 + lines * len(rows) + len(_LEGEND) <= self.size.height:
            text.append("\n" + "\n".join(" " + words for words in _LEGEND), COLOURS["dim"])
        return text
