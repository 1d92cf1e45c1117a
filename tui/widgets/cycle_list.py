"""The list of cycles: millions long, of which only the visible lines are ever made."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from rich.segment import Segment
from textual import events
from textual.geometry import Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from busledger.decoder.ledger.columns import Verdict
from busledger.decoder.text import plain
from busledger.tui.palette import PANEL, SELECTED, style
from busledger.tui.source import CycleRow, CycleSource
from busledger.tui.state import BrowserState, Rows
from busledger.tui.wording import flag_words, hex_bits, kind_word, lane_picture, time_text

__all__ = ["CycleList", "cycle_line", "heading"]

_CACHE_LINES = 512
_MARKS = {
    Verdict.MISMATCH: ("✗", "wrong"),
    Verdict.DISAGREES: ("≠", "wrong"),
    Verdict.STALE: ("~", "caution"),
    Verdict.AMBIGUOUS: ("~", "caution"),
    Verdict.AGREES: ("✓", "good"),
    Verdict.WRITE: ("→", "accent"),
}
_REGION_WIDTH = 9


def heading(address_bits: int, data_bits: int, *, program: bool = False) -> str:
    """The column titles, aligned with ``cycle_line`` (``program_line`` with ``program``)."""
    data = (data_bits + 3) // 4
    return "".join(
        (
            " " * 3,
            "cycle".rjust(9),
            "  " + "time, s".ljust(12),
            "kind".ljust(13),
            "addr".ljust((address_bits + 3) // 4 + 1),
            "is".ljust(data + 1),
            "due".ljust(max(3, data) + 1),
            "instruction" if program else "lanes".ljust(data_bits + 1),
            "" if program else "region".ljust(_REGION_WIDTH + 1),
            "" if program else "flags",
        )
    )


def cycle_line(row: CycleRow, source: CycleSource, chosen: bool) -> list[Segment]:
    """One cycle as styled text, without padding."""
    facts = source.facts
    on = SELECTED if chosen else PANEL
    mark, colour = _MARKS.get(Verdict(row.verdict), (" ", "dim"))
    data = (facts.data_bits + 3) // 4
    # What a write's cell held until then is no value that the write is due to give.
    due = hex_bits(row.expected, ~row.known, facts.data_bits) if row.known and row.verdict != Verdict.WRITE else ""
    name = plain(facts.regions[row.region].name) if 0 <= row.region < len(facts.regions) else ""
    lanes = lane_picture(row.mismatch, facts.data_bits) if row.verdict == Verdict.MISMATCH else ""
    return [
        Segment(f"{'▶' if chosen else ' '}{mark} ", style(colour, on=on, bold=True)),
        Segment(f"{row.index:>9}  ", style("dim", on=on)),
        Segment(f"{time_text(row.time, facts.tick_fs):<11} ", style("dim", on=on)),
        Segment(f"{kind_word(row.kind):<13}", style("text", on=on)),
        Segment(hex_bits(row.address, row.address_unknown, facts.address_bits) + " ", style("accent", on=on)),
        Segment(hex_bits(row.data, row.data_unknown, facts.data_bits) + " ", style("text", on=on, bold=True)),
        Segment(f"{due:<{max(3, data)}} ", style("wrong" if lanes else "dim", on=on, bold=bool(lanes))),
        Segment(f"{lanes:<{facts.data_bits}} ", style("wrong", on=on, bold=True)),
        Segment(f"{_short(name, _REGION_WIDTH):<{_REGION_WIDTH}} ", style("dim", on=on)),
        Segment(flag_words(row.flags), style("caution", on=on)),
    ]


def program_line(row: CycleRow, source: CycleSource, chosen: bool, beside: str) -> list[Segment]:
    """One cycle with its part of the program where the lanes, the region and the flags stand otherwise."""
    on = SELECTED if chosen else PANEL
    return [*cycle_line(row, source, chosen)[:7], Segment(beside, style("accent", on=on))]


def _short(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "…"


class CycleList(ScrollView, can_focus=False):
    """Draws the rows of a state; keys belong to the screen."""

    @dataclass
    class Clicked(Message):
        """A cycle was clicked."""

        cycle: int

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self._source: CycleSource | None = None
        self._rows = Rows(0)
        self._cursor = 0
        self._beside: Callable[[int], str] | None = None
        self._lines: OrderedDict[tuple[int, int, bool], Strip] = OrderedDict()

    def show(self, source: CycleSource, state: BrowserState, beside: Callable[[int], str] | None = None) -> None:
        """Draw this state, the chosen cycle in view; ``beside`` gives each cycle's part of the program."""
        if source is not self._source or beside != self._beside or state.rows is not self._rows:
            self._source, self._beside = source, beside
            self._lines.clear()
        if state.rows is not self._rows:
            self._rows = state.rows
        self._cursor = state.cursor
        self._fit()
        self._follow()
        self.refresh()

    def _fit(self) -> None:
        wanted = Size(max(1, self.size.width), len(self._rows))
        if self.virtual_size != wanted:
            self.virtual_size = wanted

    def on_resize(self) -> None:
        """Keep the chosen cycle in view when the terminal changes."""
        self._fit()
        self._follow()

    def on_click(self, event: events.Click) -> None:
        """Tell which cycle was clicked."""
        at = self.scroll_offset.y + event.y
        if at < len(self._rows):
            self.post_message(self.Clicked(self._rows.cycle(at)))

    @property
    def rows(self) -> Rows:
        """The cycles that it lists."""
        return self._rows

    @property
    def page(self) -> int:
        """How many cycles a page key moves."""
        return max(1, self.scrollable_content_region.height - 1)

    def _follow(self) -> None:
        if not len(self._rows):
            return
        at, height = self._rows.position(self._cursor), max(1, self.scrollable_content_region.height)
        top = self.scroll_offset.y
        margin = min(2, (height - 1) // 2)
        if at - margin < top:
            top = at - margin if at >= top - 1 else at - height // 2
        elif at + margin >= top + height:
            top = at + margin - height + 1 if at <= top + height else at - height // 2
        top = max(0, min(top, len(self._rows) - height))
        if top != self.scroll_offset.y:
            self.scroll_to(y=top, animate=False, immediate=True, force=True)

    def render_line(self, y: int) -> Strip:
        """The y-th visible line. The key of the cache holds all that the line depends on."""
        width = self.size.width
        at = self.scroll_offset.y + y
        if self._source is None or at >= len(self._rows):
            return Strip.blank(width, style("dim", on=PANEL))
        cycle = self._rows.cycle(at)
        key = (cycle, width, cycle == self._cursor)
        strip = self._lines.get(key)
        if strip is None:
            chosen = cycle == self._cursor
            row = self._source.row(cycle)
            if self._beside is None:
                segments = cycle_line(row, self._source, chosen)
            else:
                segments = program_line(row, self._source, chosen, self._beside(cycle))
            strip = Strip(segments).adjust_cell_length(width, style("dim", on=SELECTED if chosen else PANEL))
            self._lines[key] = strip
            if len(self._lines) > _CACHE_LINES:
                self._lines.popitem(last=False)
        return strip
