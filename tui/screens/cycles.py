"""Cycles: all of them, the chosen one in words, and – where there is room – its levels."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Vertical
from textual.widgets import Static

from busledger.tui import state as states
from busledger.tui.keys import CYCLES, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.screens.base import WIDE
from busledger.tui.screens.stepping import SteppingScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.cycle_list import CycleList, heading
from busledger.tui.widgets.detail import CycleDetail
from busledger.tui.widgets.levels import LevelView

__all__ = ["CyclesScreen"]

LEAST_DETAIL = 5  # lines of the chosen cycle in words, one below the other


class CyclesScreen(SteppingScreen):
    """The list, the chosen cycle in words, and its levels on a tall terminal."""

    view = "cycles"
    keys = CYCLES
    BINDINGS: ClassVar[list[BindingType]] = bindings(CYCLES)

    def compose_body(self) -> ComposeResult:
        """Heading and list over detail and levels."""
        with Container(id="upper"):
            with Vertical(id="list"):
                yield Static("", id="heading", markup=False)
                yield CycleList(id="cycles")
            with Vertical(id="side"):
                yield CycleDetail("", id="detail", markup=False)
                yield LevelView(id="levels-beside")
        yield LevelView(id="levels-below")

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        facts = loaded.source.facts
        program = self.host.program
        self.query_one("#heading", Static).update(
            heading(facts.address_bits, facts.data_bits, program=program is not None), layout=False
        )
        self.query_one(CycleList).show(loaded.source, state, program.beside if program is not None else None)
        below = program.sentence(state.cursor) if program is not None and loaded.source.total else ""
        self.query_one(CycleDetail).show(loaded.source, loaded.board, state, below)
        for levels in self.query(LevelView):
            if levels.display:
                levels.show(loaded.source, state)
        self._share_room()

    def _share_room(self) -> None:
        """One below the other, the words take the room that a short list leaves."""
        upper, rows = self.query_one("#upper"), len(self.query_one(CycleList).rows)
        short = self.app.size.width < WIDE and 0 < rows + 1 < upper.size.height - LEAST_DETAIL
        self.query_one("#list").styles.height = rows + 1 if short else None
        self.query_one("#side").styles.height = "1fr" if short else None

    def on_resize(self) -> None:
        """Which levels are shown, and how the room is shared, depends on the size."""
        if self.ready:
            self.call_after_refresh(self.draw)

    def on_cycle_list_clicked(self, message: CycleList.Clicked) -> None:
        """To the clicked cycle."""
        self.host.act(states.go_to, message.cycle)

    def action_page(self, pages: int) -> None:
        """A screenful up or down."""
        self.action_step(pages * self.query_one(CycleList).page)
