"""The map: regions by lanes with the chips laid under them, and every other part of the card below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from rich.style import Style
from rich.text import Text
from textual import events
from textual.message import Message
from textual.widget import Widget

from busledger.decoder.findings import CheckResult, LaneCounts
from busledger.decoder.report import STATE_SIGNS, part_states
from busledger.decoder.text import plain
from busledger.tui.palette import COLOURS, GROUND, HEAT, SELECTED
from busledger.tui.session import BoardLike, ChipLike
from busledger.tui.state import BrowserState
from busledger.tui.widgets.heat import chips_of, heat_step, lane_counts, share_text
from busledger.tui.widgets.parts import States, part_lines, part_style, sign_legend, state_of

__all__ = ["NAME_WIDTH", "HeatMap", "MapPicture", "heat_lines", "map_picture"]

NAME_WIDTH = 9
_NO_REGION = -1
_SIGNS = (" ", "░", "▒", "▓", "█")
_LEGEND = ("", " per cent of compared reads wrong; - none compared", " · none  ░ under 1  ▒ 10  ▓ 50  █ more")
_BAD = ("suspect", "likely")
_SPOKEN_OF = (*_BAD, "rival")


@dataclass(frozen=True, slots=True)
class MapPicture:
    """Finished lines; ``region`` is the region that each of them belongs to, -1 for headings, parts and legend."""

    lines: list[Text]
    region: list[int]


def _cell_width(lanes: int, width: int) -> int:
    return max(3, min(9, (width - NAME_WIDTH - 1) // max(1, lanes)))


def heat_lines(
    result: CheckResult, board: BoardLike | None, lanes: int, state: BrowserState, width: int
) -> tuple[Text, list[tuple[Text, Text]]]:
    """The heading, and for each region its row of cells and the row of its chips, highest lane at the left."""
    cell = _cell_width(lanes, width)
    tight = cell <= len(f"D{lanes - 1}")  # no blank would be left between names: the D stands in front of them all
    heading = Text(f"{'D' if tight else '':>{NAME_WIDTH}} ", COLOURS["accent"], end="")
    for lane in reversed(range(lanes)):
        chosen = lane == state.lane
        name = f"{lane}" if tight else f"D{lane}"
        heading.append(name.center(cell), f"bold {COLOURS['text']}" if chosen else COLOURS["accent"])
    states = part_states(result)
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
        _chips(chips, chips_of(board, region.name), lanes, cell, states)
        rows.append((cells, chips))
    return heading, rows


def _cell(text: Text, counts: LaneCounts | None, width: int, chosen: bool) -> None:
    """A chosen cell keeps its heat: it has brackets, and is underlined where they have no room."""
    compared = counts.compared if counts else 0
    wrong = counts.low_for_high + counts.high_for_low if counts else 0
    step = heat_step(wrong, compared)
    words = share_text(wrong, compared)
    ground, colour = HEAT[step]
    sign = _SIGNS[step].strip()
    if chosen:
        if len(sign + words) <= width - 2:
            drawn = f"[{sign}{words.center(width - 2 - len(sign))}]"
        elif len(words) <= width - 2:  # no room for the sign
            drawn = f"[{words.center(width - 2)}]"
        else:  # nor for two brackets: one alone would look torn
            drawn = f"{'▸' if len(words) < width else ''}{words}"[:width].ljust(width)
        text.append(drawn, Style(color=colour, bgcolor=ground if step else SELECTED, bold=True, underline=True))
    elif width > 3:
        text.append(f"{_SIGNS[step]}{words.center(width - 1)}", f"{colour} on {ground}")
    else:
        text.append(words.center(width), f"{colour} on {ground}")


def _chips(text: Text, chips: Sequence[ChipLike], lanes: int, cell: int, states: States) -> None:
    """Brackets under the lanes that a chip serves, with the sign of what the capture says of it."""
    by_lane = {lane: chip.designator for chip in chips for lane in chip.lanes}
    for designator, run in groupby(reversed(range(lanes)), key=by_lane.get):
        width = cell * len(list(run))
        if designator is None:
            text.append(" " * width)
            continue
        state = state_of(states, designator)
        sign = STATE_SIGNS[state] if state != "open" else ""
        text.append(_bracket(plain(designator), sign, width), part_style(state))


def _bracket(name: str, sign: str, width: int) -> str:
    """A chip's lanes with its name, whole or not at all: half a name would be another chip's."""
    words = sign + name
    if len(words) <= width - 2:
        return f"└{words.center(width - 2, '─')}┘"
    if len(words) <= width - 1:  # a blank is left, so that names side by side stay apart
        return words.center(width)
    return f"└{(sign or '─').center(width - 2, '─')}┘"


def map_picture(
    result: CheckResult, board: BoardLike | None, lanes: int, state: BrowserState, width: int, height: int, top: int = 0
) -> tuple[MapPicture, int]:
    """The whole map for a size, and the first region in view, which is ``top`` as far as the chosen one allows.

    Chips have a line of their own below their region; where the regions do not fit so, only those of which
    something is said, and the chosen one's.
    """
    heading, rows = heat_lines(result, board, lanes, state, width)
    if not rows:
        none = Text("There are no regions: nothing was both written and read.", COLOURS["caution"])
        return MapPicture([heading, none], [_NO_REGION, _NO_REGION]), 0
    states = part_states(result)
    parts = part_lines(board, states, NAME_WIDTH, width)
    legend = _legend(result, board, states)
    room = height - 1 - len(parts)
    spoken = [
        number == state.region or any(state_of(states, chip.designator) in _SPOKEN_OF for chip in chips_of(board, name))
        for number, name in enumerate(region.name for region in result.regions)
    ]
    blocks, airy = _blocks(rows, spoken, room, len(legend))
    first, last = _in_view([len(block) for block in blocks], room, min(state.region or 0, len(rows) - 1), top)
    lines, of_region = [heading], [_NO_REGION]
    for number in range(first, last):
        lines += blocks[number]
        of_region += [number] * len(blocks[number])
    if first or last < len(rows):
        hidden = (("▲", range(first)), ("▼", range(last, len(rows))))
        told = [
            _hidden(sign, [result.regions[n].name for n in there], board, states) for sign, there in hidden if there
        ]
        words = f"{'':>{NAME_WIDTH}} {'   '.join(told)}"
        lines.append(Text(words if len(words) <= width else words[: width - 1] + "…", COLOURS["key"], end=""))
    lines += [Text("", end="")] * (airy and bool(parts)) + parts
    lines += legend if len(lines) + len(legend) <= height else []
    return MapPicture(lines, of_region + [_NO_REGION] * (len(lines) - len(of_region))), first


def _hidden(sign: str, names: Sequence[str], board: BoardLike | None, states: States) -> str:
    """How many regions are out of view on one side, and which bad parts are on them."""
    bad = [c.designator for name in names for c in chips_of(board, name) if state_of(states, c.designator) in _BAD]
    parts = "".join(f" {STATE_SIGNS[state_of(states, part)]}{plain(part, 20)}" for part in dict.fromkeys(bad))
    return f"{sign} {len(names)} more region{'s' if len(names) > 1 else ''}{':' if parts else ''}{parts}"


def _blocks(
    rows: Sequence[tuple[Text, Text]], spoken: Sequence[bool], room: int, legend: int
) -> tuple[list[list[Text]], bool]:
    """The lines of each region, as airy as the room allows, and whether there is air between them."""
    airy = [[cells, chips, Text("", end="")] for cells, chips in rows]
    if sum(map(len, airy)) + legend <= room:
        return airy, True
    full = [[cells, chips] for cells, chips in rows]
    if sum(map(len, full)) <= room:
        return full, False
    return [[cells, chips] if said else [cells] for (cells, chips), said in zip(rows, spoken, strict=True)], False


def _in_view(sizes: Sequence[int], room: int, chosen: int, top: int) -> tuple[int, int]:
    """First and after-last of the blocks shown: the chosen one among them, a line left for what is hidden."""
    if sum(sizes) <= room:
        return 0, len(sizes)
    room = max(sizes[chosen], room - 1)
    first = min(top, chosen)
    while sum(sizes[first : chosen + 1]) > room:
        first += 1
    while first and sum(sizes[first - 1 :]) <= room:
        first -= 1
    last = chosen + 1
    while last < len(sizes) and sum(sizes[first : last + 1]) <= room:
        last += 1
    return first, last


def _legend(result: CheckResult, board: BoardLike | None, states: States) -> list[Text]:
    told = [*_LEGEND]
    if board is not None:
        on_map = [c.designator for region in result.regions for c in chips_of(board, region.name)]
        on_map += [part.designator for part in (*board.decoders, *board.buffers)]
        told.append(f" {sign_legend({state_of(states, name) for name in on_map})}")
    return [Text(line, COLOURS["dim"], end="", no_wrap=True) for line in told]


class HeatMap(Widget):
    """Draws ``map_picture``; a click chooses a cell, a second click opens it."""

    @dataclass
    class Clicked(Message):
        """A cell was clicked: its region, its lane, how often in a row."""

        region: int
        lane: int
        times: int

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._shown: tuple[CheckResult, BoardLike | None, int, BrowserState] | None = None
        self._picture = MapPicture([], [])
        self._top = 0

    def show(self, result: CheckResult, board: BoardLike | None, lanes: int, state: BrowserState) -> None:
        """Draw this state."""
        self._shown = (result, board, lanes, state)
        self.refresh()

    def render(self) -> Text:
        """The map for the widget's size."""
        if self._shown is None:
            return Text("")
        self._picture, self._top = map_picture(*self._shown, self.size.width, self.size.height, self._top)
        text = Text(no_wrap=True, end="", style=f"on {GROUND}")
        for number, line in enumerate(self._picture.lines):
            text.append("\n" if number else "")
            shown = line.copy()
            shown.truncate(self.size.width)
            text.append_text(shown)
        return text

    def on_click(self, event: events.Click) -> None:
        """Tell which cell was clicked."""
        if self._shown is None or event.y >= len(self._picture.region):
            return
        lanes, region = self._shown[2], self._picture.region[event.y]
        column = (event.x - NAME_WIDTH - 1) // _cell_width(lanes, self.size.width)
        if region >= 0 and event.x > NAME_WIDTH and 0 <= column < lanes:
            self.post_message(self.Clicked(region, lanes - 1 - column, event.chain))
