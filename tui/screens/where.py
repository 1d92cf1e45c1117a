"""Where it hurts: the heat map, and who is suspected."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.widgets import Static

from busledger.decoder.findings import CheckResult
from busledger.tui import state as states
from busledger.tui.keys import WHERE, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.places import cell_filter
from busledger.tui.screens.base import BrowserScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.heat import NAME_WIDTH, HeatMap, cell_words, region_words
from busledger.tui.widgets.suspects import suspect_list, verdict_words
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
            yield HeatMap(id="heat")
            yield Static("", id="suspects", markup=False)
        yield Static("", id="cell", markup=False)

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self._drawn_width = self.app.size.width
        result = loaded.session.result
        self.query_one("#verdict", Static).update(verdict_words(result), layout=result is not self._judged)
        self._judged = result
        heat = self.query_one(HeatMap)
        lanes = loaded.source.facts.data_bits
        narrow = NAME_WIDTH + 2 + lanes * (5 if lanes <= 8 else 3)
        heat.styles.width = narrow if self.app.size.width < 120 else max(narrow, self.app.size.width * 6 // 10)
        heat.show(result, loaded.board, lanes, state)
        self.query_one("#suspects", Static).update(
            suspect_list(result, state, self.app.size.width >= 120), layout=False
        )
        words = cell_words(result, loaded.board, state)
        line = cell_trend(loaded, state, max(20, min(100, self.app.size.width - 30)))
        if line.plain:
            words.append("\n").append_text(line)
        words.append("\n").append_text(region_words(result, state))
        self.query_one("#cell", Static).update(words, layout=False)

    def on_resize(self) -> None:
        """The list's form depends on the width."""
        if self.ready and self.app.size.width != self._drawn_width:
            self.draw()

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
