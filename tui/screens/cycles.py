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
from busledger.tui.screens.stepping import SteppingScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.cycle_list import CycleList, heading
from busledger.tui.widgets.detail import CycleDetail
from busledger.tui.widgets.levels import LevelView

__all__ = ["CyclesScreen"]


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
            yield CycleDetail("", id="detail", markup=False)
        yield LevelView(id="levels-below")

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        facts = loaded.source.facts
        self.query_one("#heading", Static).update(
            heading(facts.address_bits, facts.data_bits, program=self.host.program is not None), layout=False
        )
        program = self.host.program
        self.query_one(CycleList).show(loaded.source, state, program.beside if program is not None else None)
        below = program.sentence(state.cursor) if program is not None and loaded.source.total else ""
        self.query_one(CycleDetail).show(loaded.source, loaded.board, state, below)
        self.query_one(LevelView).show(loaded.source, state)

    def on_cycle_list_clicked(self, message: CycleList.Clicked) -> None:
        """To the clicked cycle."""
        self.host.act(states.go_to, message.cycle)

    def action_page(self, pages: int) -> None:
        """A screenful up or down."""
        self.action_step(pages * self.query_one(CycleList).page)
