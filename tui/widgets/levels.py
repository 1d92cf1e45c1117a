"""The lines around the chosen cycle, drawn against time."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip
from textual.widget import Widget

from busledger.decoder.text import plain
from busledger.tui.palette import GROUND, PANEL, SELECTED, WINDOW, style
from busledger.tui.source import CycleSource
from busledger.tui.state import BrowserState
from busledger.tui.timeline import Cell, View, column_of, columns_of, line_cells, sample_view, value_text
from busledger.tui.wording import span_text, time_text

__all__ = ["HEAD_LINES", "LevelPicture", "LevelView", "between_marks", "caret_of", "draw_levels"]

HEAD_LINES = 3
NAME_WIDTH = 11
_SHAPES = {
    Cell.OUTSIDE: " ",
    Cell.LOW: "▁",
    Cell.HIGH: "▔",
    Cell.RISE: "╱",
    Cell.FALL: "╲",
    Cell.BUSY: "▒",
    Cell.UNKNOWN: "?",
}
_COLOURS = {Cell.LOW: "dim", Cell.HIGH: "accent", Cell.UNKNOWN: "caution", Cell.OUTSIDE: "dim"}


@dataclass(frozen=True, slots=True)
class LevelPicture:
    """Finished lines: ``head`` above, ``body`` one a drawn line, ``chosen`` the body line of the chosen group."""

    head: list[list[Segment]]
    body: list[list[Segment]]
    chosen: int


def caret_of(source: CycleSource, state: BrowserState) -> int:
    """The time in the middle of the view: where the user put it, else the chosen cycle's sampling edge."""
    if state.caret is not None:
        return state.caret
    if source.total:
        return int(source.cycles.time[state.cursor])
    return int(source.capture.time[0]) if len(source.capture) else 0


def _runs(text: str, colours: list[str], ground: list[str], bold: bool = False) -> list[Segment]:
    """Segments of equal style from a character, a colour and a ground for each column."""
    segments = []
    for (colour, on), places in groupby(range(len(text)), key=lambda c: (colours[c], ground[c])):
        segments.append(Segment("".join(text[c] for c in places), style(colour, on=on, bold=bold)))
    return segments


def _marks(view: View, state: BrowserState, caret: int, columns: int) -> tuple[str, list[str]]:
    text, colours = ["─"] * columns, ["dim"] * columns
    for place, sign, colour in ((caret, "┃", "text"), (state.marks[0], "[", "mark"), (state.marks[1], "]", "mark")):
        column = None if place is None else column_of(view, place)
        if column is not None:
            text[column], colours[column] = sign, colour
    return "".join(text), colours


def _edges(view: View, source: CycleSource, state: BrowserState) -> tuple[str, list[str], tuple[int, int] | None]:
    """The line of sampling edges, and the columns of the chosen cycle's window, if any is in view."""
    text, colours = [" "] * view.columns, ["dim"] * view.columns
    if not source.total:
        return "".join(text), colours, None
    for column in columns_of(view, source.cycles.time):
        text[int(column)] = "·"
    row = source.row(state.cursor)
    rules = source.facts.rules
    rule = rules[row.rule] if row.rule < len(rules) else None
    window = None
    if rule is not None and (rule.setup_ticks or rule.hold_ticks):
        low = int((row.time - rule.setup_ticks - view.start) // view.ticks_per_column)
        high = int((row.time + rule.hold_ticks - view.start) // view.ticks_per_column)
        if low < view.columns and high >= 0:
            window = (max(0, low), min(view.columns - 1, high))
            for column in range(window[0], window[1] + 1):
                text[column], colours[column] = "═", "caution"
            if low >= 0:
                text[low] = "╞"
            if high < view.columns:
                text[high] = "╡"
    edge = column_of(view, row.time)
    if edge is not None:
        text[edge], colours[edge] = "▼", "caution"
    return "".join(text), colours, window


def _scale(view: View, caret: int, tick_fs: int) -> str:
    """Times at the left end and in the middle, and how much a column is."""
    middle = time_text(caret, tick_fs) + " s"
    per = f"1 column = {span_text(max(1, round(view.ticks_per_column)), tick_fs)}"
    text = middle.rjust(view.columns // 2 + len(middle) // 2).ljust(view.columns)
    return (text[: max(0, view.columns - len(per))] + per)[: view.columns]


def draw_levels(source: CycleSource, state: BrowserState, width: int) -> LevelPicture:
    """The whole picture for a width in characters; times outside the capture stay blank."""
    columns = max(8, width - NAME_WIDTH - 1)
    caret = caret_of(source, state)
    view = View.around(caret, state.ticks_per_column, columns)
    sampled = sample_view(source.capture, view)
    edge_text, edge_colours, window = _edges(view, source, state)
    mark_text, mark_colours = _marks(view, state, caret, columns)
    ground = [GROUND] * columns
    if window is not None:
        ground[window[0] : window[1] + 1] = [WINDOW] * (window[1] - window[0] + 1)
    plain_ground = [PANEL] * columns
    name_style = style("dim", on=PANEL)
    head = [
        [
            Segment(" " * (NAME_WIDTH + 1), name_style),
            Segment(_scale(view, caret, source.facts.tick_fs), style("dim", on=PANEL)),
        ],
        [Segment("marks".rjust(NAME_WIDTH) + " ", name_style), *_runs(mark_text, mark_colours, plain_ground, True)],
        [Segment("sampled".rjust(NAME_WIDTH) + " ", name_style), *_runs(edge_text, edge_colours, plain_ground, True)],
    ]
    body: list[list[Segment]] = []
    chosen = 0
    bit_of = {line.name: bit for bit, line in enumerate(source.facts.lines)}
    low_lines = {line.name for line in source.facts.lines if line.active_low}
    for number, group in enumerate(state.groups):
        picked = number == state.group
        if picked:
            chosen = len(body)
        if len(group.lines) > 1:
            sign = "▸" if group.folded else "▾"
            text = value_text(sampled, [bit_of[name] for name in group.lines])
            colours = ["dim" if char in "─│ " else "caution" if char == "?" else "text" for char in text]
            body.append([_name(f"{sign}{group.name}", picked), *_runs(text, colours, ground)])
            if group.folded:
                continue
        for name in group.lines:
            shown = ("  " if len(group.lines) > 1 else "") + ("/" if name in low_lines else "") + name
            body.append([_name(shown, picked), *_line(line_cells(sampled, bit_of[name]), ground)])
    return LevelPicture(head, body, chosen)


def _name(text: str, picked: bool) -> Segment:
    shown = plain(text, NAME_WIDTH - 1)[:NAME_WIDTH]
    sign = "▶" if picked else " "
    on = SELECTED if picked else PANEL
    return Segment(f"{shown:>{NAME_WIDTH}}{sign}", style("text" if picked else "dim", on=on, bold=picked))


def _line(cells: NDArray[np.uint8], ground: list[str]) -> list[Segment]:
    text = "".join(_SHAPES[Cell(cell)] for cell in cells)
    return _runs(text, [_COLOURS.get(Cell(cell), "text") for cell in cells], ground)


class LevelView(Widget):
    """Draws ``draw_levels``; the chosen line is kept in view when there are more than fit."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._source: CycleSource | None = None
        self._state: BrowserState | None = None
        self._picture: LevelPicture | None = None
        self._width = 0
        self._top = 0

    def show(self, source: CycleSource, state: BrowserState) -> None:
        """Draw this state."""
        self._source, self._state, self._picture = source, state, None
        self.refresh()

    @property
    def columns(self) -> int:
        """Columns of time on screen."""
        return max(8, self.size.width - NAME_WIDTH - 1)

    def render_line(self, y: int) -> Strip:
        """The y-th visible line."""
        width, height = self.size.width, self.size.height
        blank: Style = style("dim", on=GROUND)
        if self._source is None or self._state is None:
            return Strip.blank(width, blank)
        if self._picture is None or self._width != width:
            self._picture, self._width = draw_levels(self._source, self._state, width), width
        picture = self._picture
        if y < HEAD_LINES:
            return Strip(picture.head[y]).adjust_cell_length(width, blank)
        air = 2 if 2 * len(picture.body) <= height - HEAD_LINES else 1  # a blank line below each, if there is room
        if (y - HEAD_LINES) % air:
            return Strip.blank(width, blank)
        room = max(1, (height - HEAD_LINES) // air)
        self._top = max(0, min(self._top, len(picture.body) - room))
        if picture.chosen < self._top:
            self._top = picture.chosen
        elif picture.chosen >= self._top + room:
            self._top = picture.chosen - room + 1
        at = self._top + (y - HEAD_LINES) // air
        if at >= len(picture.body):
            return Strip.blank(width, blank)
        return Strip(picture.body[at]).adjust_cell_length(width, blank)


def between_marks(state: BrowserState, tick_fs: int) -> str:
    """The two marks and the time between them, in words; empty where none is set."""
    first, second = state.marks
    if first is None and second is None:
        return ""
    if first is None or second is None:
        sign, ticks = ("[", first) if first is not None else ("]", second)
        assert ticks is not None
        return f"mark {sign} at {time_text(ticks, tick_fs)} s"
    apart = second - first
    words = f"[ {time_text(first, tick_fs)} s  ] {time_text(second, tick_fs)} s  between {span_text(apart, tick_fs)}"
    if apart:
        hertz = 1e15 / (abs(apart) * tick_fs)
        divisor, unit = (1e6, "MHz") if hertz >= 1e6 else (1e3, "kHz") if hertz >= 1e3 else (1.0, "Hz")
        words += f" ({hertz / divisor:.4g} {unit})"
    return words
