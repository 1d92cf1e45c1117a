"""Where it hurts: the map, who is suspected, and on a wide terminal why."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.widgets import Static

from busledger.decoder.findings import CheckResult
from busledger.tui import state as states
from busledger.tui.keys import WHERE, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.places import cell_filter
from busledger.tui.screens.base import WIDE, BrowserScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.clicking import Clickable
from busledger.tui.widgets.heat import cell_words, region_words
from busledger.tui.widgets.heat_map import NAME_WIDTH, HeatMap
from busledger.tui.widgets.suspect_list import fitting_list
from busledger.tui.widgets.suspects import verdict_words, why_text
from busledger.tui.widgets.trend_picture import cell_trend

__all__ = ["WhereScreen"]


class WhereScreen(BrowserScreen):
    """Arrow keys choose a cell, numbers a suspect."""

    view = "where"
    keys = WHERE
    BINDINGS: ClassVar[list[BindingType]] = bindings(WHERE)
    _drawn_width = 0
    _judged: CheckResult | None = None

    def compose_body(self) -> ComposeResult:
        """Verdict over map and suspects over the chosen cell."""
        yield Static("", id="verdict", markup=False)
        with Container(id="where"):
            with Container(id="map-and-list"):
                yield HeatMap(id="heat")
                yield Clickable("", id="suspects", markup=False)
            with VerticalScroll(id="beside", can_focus=False):
                yield Static("", id="why-beside", markup=False)
        yield Static("", id="cell", markup=False)

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self._drawn_width = self.app.size.width
        result = loaded.session.result
        self.query_one("#verdict", Static).update(verdict_words(result), layout=result is not self._judged)
        self._judged = result
        lanes = loaded.source.facts.data_bits
        self._lay_out(lanes, len(result.regions))
        self.query_one(HeatMap).show(result, loaded.board, lanes, state)
        self._list_suspects()
        if self.app.size.width >= WIDE:
            self.query_one("#why-beside", Static).update(why_text(result, loaded.source, state)[0])
        words = cell_words(result, loaded.board, state)
        line = cell_trend(loaded, state, max(20, min(100, self.app.size.width - 30)))
        if line.plain:
            words.append("\n").append_text(line)
        words.append("\n").append_text(region_words(result, state))
        self.query_one("#cell", Static).update(words, layout=False)

    def _lay_out(self, lanes: int, regions: int) -> None:
        """The map beside the list; on a wide terminal above it, as both have why beside them."""
        heat, width = self.query_one(HeatMap), self.app.size.width
        narrow = NAME_WIDTH + 2 + lanes * (5 if lanes <= 8 else 3)
        if width >= WIDE:
            heat.styles.width = "100%"
            heat.styles.height = min(1 + 3 * regions + 8, max(8, self.app.size.height * 6 // 10))
        else:
            heat.styles.width = narrow if width < 120 else max(narrow, width * 6 // 10)
            heat.styles.height = "100%"

    def _list_suspects(self) -> None:
        """As rich as the list's room allows, once that is known."""
        suspects = self.query_one("#suspects", Static)
        size = suspects.content_size
        if size.height:
            result = self.host.loaded.session.result
            suspects.update(fitting_list(result, self.host.state, size.width, size.height), layout=False)

    def on_resize(self) -> None:
        """The list's form depends on the size."""
        if self.ready and self.app.size.width != self._drawn_width:
            self.draw()
        self.call_after_refresh(self._after_layout)

    def _after_layout(self) -> None:
        if self.ready:
            self._list_suspects()

    def on_screen_resume(self) -> None:
        """The first time there is no layout yet while it is drawn."""
        super().on_screen_resume()
        self.call_after_refresh(self._after_layout)

    def on_heat_map_clicked(self, message: HeatMap.Clicked) -> None:
        """Choose the clicked cell; clicked twice: its cycles."""
        self.host.act(states.select_cell, message.region, message.lane)
        if message.times > 1:
            self.action_open_cell()

    def action_cell(self, down: int, right: int) -> None:
        """Choose another cell."""
        loaded = self.host.loaded
        regions = len(loaded.session.result.regions)
        self.host.act(states.move_cell, down, right, regions, loaded.source.facts.data_bits)

    def action_suspect(self, rank: int) -> None:
        """Why: the suspect of that rank."""
        suspects = self.host.loaded.session.result.suspects
        if rank > len(suspects):
            self.host.act(states.say, f"There is no suspect of rank {rank}.")
        else:
            self.host.act(states.select_suspect, rank - 1, len(suspects))
            self.host.view("why")

    def action_open_cell(self) -> None:
        """The wrong cycles of the chosen cell."""
        host = self.host
        region, lane = host.state.region, host.state.lane
        if region is None or lane is None:
            host.act(states.say, "Choose a cell first.")
            return
        result = host.loaded.session.result
        host.view("cycles")
        host.select(cell_filter(host.loaded.source.facts, result, {result.regions[region].name}, 1 << lane))
