"""The lines around the chosen cycle, drawn against time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from busledger.decoder.text import plain
from busledger.tui.palette import GROUND, PANEL, SELECTED, WINDOW, style
from busledger.tui.source import CycleSource
from busledger.tui.state import BrowserState, bits_below
from busledger.tui.timeline import Cell, LevelColumns, View, column_of, columns_of, line_cells, sample_view, value_text
from busledger.tui.wording import span_text, time_text

__all__ = ["LevelPicture", "LevelView", "between_marks", "caret_of", "draw_levels"]

NAME_WIDTH = 11
_MOST_DIFFERING = 4  # lanes drawn above the others
_MOST_DUE = 2  # as many have a line of their own for the level that was due
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
    """Finished lines: ``head`` above, ``body`` one a drawn line, ``chosen`` the body line of the chosen group.

    The head ends with the lines that differ in the chosen cycle; ``names`` and ``groups`` say what each body line shows
    and which group it belongs to.
    """

    head: list[list[Segment]]
    body: list[list[Segment]]
    chosen: int
    names: list[str]
    groups: list[int]


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
    for column in columns_of(view, source.cycles.time, source.coarse):
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
    sampled = sample_view(source.capture, view, source.moved, source.coarse)
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
    bit_of = {line.name: bit for bit, line in enumerate(source.facts.lines)}
    head += _differing(source, state, sampled, bit_of, window, ground)
    body: list[list[Segment]] = []
    names: list[str] = []
    groups: list[int] = []
    chosen = 0
    low_lines = {line.name for line in source.facts.lines if line.active_low}
    for number, group in enumerate(state.groups):
        picked = number == state.group
        if picked:
            chosen = len(body)
        if len(group.lines) > 1:
            sign = "▸" if group.folded else "▾"
            text = value_text(sampled, [*(bit_of[name] for name in group.lines), *[-1] * bits_below(group.lines)])
            colours = ["dim" if char in "─│ " else "caution" if char == "?" else "text" for char in text]
            body.append([_name(f"{sign}{group.name}", picked), *_runs(text, colours, ground)])
            names.append(group.name)
            groups.append(number)
            if group.folded:
                continue
        for name in group.lines:
            marked = ("/" if name in low_lines else "") + name
            shown = ("  " if len(group.lines) > 1 else "") + marked
            body.append([_name(shown, picked), *_line(line_cells(sampled, bit_of[name]), ground)])
            names.append(marked)
            groups.append(number)
    return LevelPicture(head, body, chosen, names, groups)


def _differing(
    source: CycleSource,
    state: BrowserState,
    sampled: LevelColumns,
    bit_of: Mapping[str, int],
    window: tuple[int, int] | None,
    ground: list[str],
) -> list[list[Segment]]:
    """The chosen cycle's wrong lanes: each as it was, and under it the level that was due, in the sampling window."""
    if not source.total:
        return []
    row = source.row(state.cursor)
    wrong = [lane for lane in range(source.facts.data_bits) if row.mismatch >> lane & 1]
    drawn: list[list[Segment]] = []
    for lane in wrong[:_MOST_DIFFERING]:
        bit = bit_of.get(f"D{lane}", bit_of.get(f"AD{lane}"))  # a multiplexed bus has both on one line
        if bit is None:
            continue
        text = "".join(_SHAPES[Cell(cell)] for cell in line_cells(sampled, bit))
        due = row.expected >> lane & 1
        name = f"✗ D{lane} read" if len(wrong) <= _MOST_DUE else f"✗ D{lane} due {due}"
        drawn.append([_wrong_name(name), *_runs(text, ["wrong"] * len(text), ground, True)])
        if len(wrong) <= _MOST_DUE:
            drawn.append([_wrong_name("due"), *_due(due, window, len(text), ground)])
    if len(wrong) > _MOST_DIFFERING:
        more = "  ".join(f"D{lane} due {row.expected >> lane & 1}" for lane in wrong[_MOST_DIFFERING:])
        drawn.append([_wrong_name("✗ also"), Segment(more, style("wrong", on=GROUND))])
    return drawn


def _due(level: int, window: tuple[int, int] | None, columns: int, ground: list[str]) -> list[Segment]:
    """The level that was due, hatched over the sampling window, with its name beside it where there is room."""
    words = f" {'high' if level else 'low'} was due"
    if window is None:
        return _runs(words.ljust(columns)[:columns], ["caution"] * columns, ground)
    low, high = window
    text = [" "] * columns
    text[low : high + 1] = ("▀" if level else "▄") * (high - low + 1)
    start = high + 1 if high + 1 + len(words) <= columns else max(0, low - len(words) - 1)
    text[start : start + len(words)] = words[: columns - start]
    return _runs("".join(text), ["caution"] * columns, [GROUND] * columns, True)


def _wrong_name(text: str) -> Segment:
    return Segment(f"{text:>{NAME_WIDTH}} ", style("wrong", on=PANEL, bold=True))


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

    @dataclass
    class Picked(Message):
        """A line was clicked; ``group`` is its place among the groups."""

        group: int

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
        head = len(picture.head)
        if y < head:
            return Strip(picture.head[y]).adjust_cell_length(width, blank)
        air, first, last = self._seen(picture, height - head)
        at, rest = divmod(y - head, air)
        at += first
        if y == height - 1 and (first or last < len(picture.body)):
            told = Segment(_hidden(picture, first, last), style("key", on=GROUND))
            return Strip([told]).adjust_cell_length(width, blank)
        if rest or at >= last:
            return Strip.blank(width, blank)
        return Strip(picture.body[at]).adjust_cell_length(width, blank)

    def _seen(self, picture: LevelPicture, height: int) -> tuple[int, int, int]:
        """How many screen lines a body line takes, and which body lines are in view; the chosen one always is."""
        count = len(picture.body)
        if count <= height:
            return 2 if 2 * count <= height else 1, 0, count  # a blank line below each, if there is room
        room = max(1, height - 1)  # the last one tells what is hidden
        self._top = max(0, min(self._top, count - room))
        self._top = max(picture.chosen - room + 1, min(self._top, picture.chosen))
        return 1, self._top, self._top + room

    def on_click(self, event: events.Click) -> None:
        """Tell which line or group was clicked."""
        picture = self._picture
        if picture is None:
            return
        air, first, last = self._seen(picture, self.size.height - len(picture.head))
        at = first + (event.y - len(picture.head)) // air
        if event.y >= len(picture.head) and at < last:
            self.post_message(self.Picked(picture.groups[at]))


def _hidden(picture: LevelPicture, first: int, last: int) -> str:
    """What lies off the screen, above and below, by name."""
    parts = []
    for sign, names in (("▲", picture.names[:first]), ("▼", picture.names[last:])):
        if names:
            parts.append(f"{sign} {len(names)} more: {plain(' '.join(ranges(names)), 60)}")
    return " " + "   ".join(parts)


def ranges(names: Sequence[str]) -> list[str]:
    """Names with neighbouring numbers put together, either way round: D7 D6 D5 CS0 is D7-D5 CS0."""
    shown: list[list[str]] = []
    for name in names:
        stem, number = name.rstrip("0123456789"), name[len(name.rstrip("0123456789")) :]
        last = shown[-1][-1] if shown else ""
        before = last[len(last.rstrip("0123456789")) :]
        if number and before and last.rstrip("0123456789") == stem and abs(int(number) - int(before)) == 1:
            shown[-1].append(name)
        else:
            shown.append([name])
    return [run[0] if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in shown]


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
