"""Levels: every line around the chosen cycle, against time; with room the cycle in words and the list below."""

from __future__ import annotations

from typing import ClassVar, Literal

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, Vertical
from textual.widgets import Static

from busledger.tui import arranging
from busledger.tui import state as states
from busledger.tui.keys import LEVELS, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.screens.base import TALL, WIDE
from busledger.tui.screens.stepping import SteppingScreen
from busledger.tui.source import find_edge
from busledger.tui.state import BrowserState
from busledger.tui.widgets.bars import StatusLine
from busledger.tui.widgets.cycle_list import CycleList, cycle_line, heading
from busledger.tui.widgets.detail import CycleDetail
from busledger.tui.widgets.levels import LevelView, between_marks, caret_of

__all__ = ["LevelsScreen"]


class LevelsScreen(SteppingScreen):
    """Zoom, pan, marks, and the user's own order of lines."""

    view = "levels"
    keys = LEVELS
    BINDINGS: ClassVar[list[BindingType]] = bindings(LEVELS)

    def compose_body(self) -> ComposeResult:
        """The chosen cycle in a line, the levels, the marks in a line."""
        yield StatusLine(id="cycle-line", markup=False)
        yield LevelView(id="levels")
        yield StatusLine(id="mark-line", markup=False)
        with Container(id="levels-lower"):
            with Vertical(id="levels-list"):
                yield Static("", id="heading", markup=False)
                yield CycleList(id="cycles")
            yield CycleDetail("", id="levels-detail", markup=False)

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        source = loaded.source
        words = ""
        if source.total:
            words = "".join(s.text for s in cycle_line(source.row(state.cursor), source, False)).rstrip()
            program = self.host.program
            words += f"  {program.name(state.cursor)}" if program is not None else ""
        self.query_one("#cycle-line", StatusLine).say(words, "text")
        self.query_one(LevelView).show(source, state)
        if self.app.size.height >= TALL:
            self.query_one(CycleDetail).show(source, loaded.board, state)
        if self.app.size.height >= TALL and self.app.size.width >= WIDE:
            facts = source.facts
            self.query_one("#heading", Static).update(heading(facts.address_bits, facts.data_bits), layout=False)
            self.query_one(CycleList).show(source, state)
        marks = between_marks(state, source.facts.tick_fs)
        hint = "no marks: [ and ] put them where the middle is"
        line = self.query_one("#mark-line", StatusLine)
        line.display = bool(marks) or self.app.size.height >= TALL  # on a low terminal a line is worth more than a hint
        line.say(marks or hint, "mark" if marks else "dim")

    def action_pan(self, screens: float) -> None:
        """A quarter of the picture to either side (times ``screens``)."""
        loaded = self.host.loaded
        columns = screens * self.query_one(LevelView).columns / 4
        caret = caret_of(loaded.source, self.host.state)
        self.host.act(states.pan, columns, caret, loaded.first, loaded.last)

    def action_zoom(self, closer: bool) -> None:
        """Twice as close or as wide, about the middle."""
        self.host.act(states.zoom, closer, self.host.loaded.span)

    def action_centre(self) -> None:
        """The sampling edge back in the middle."""
        source = self.host.loaded.source
        if source.total:
            self.host.act(states.place_caret, int(source.cycles.time[self.host.state.cursor]))

    def action_edge(self, step: int) -> None:
        """To the next change of the chosen line, or of any line of the chosen group."""
        host = self.host
        source = host.loaded.source
        if not host.state.groups:
            return
        names = host.state.groups[host.state.group].lines
        bits = [bit for bit, line in enumerate(source.facts.lines) if line.name in names]
        run = find_edge(source.capture, source.moved, bits, caret_of(source, host.state), step)
        where = "later" if step > 0 else "earlier"
        host.search(run, f"There is no {where} edge here.", edge=True)

    def action_mark(self, which: Literal[0, 1]) -> None:
        """First or second mark at the middle."""
        self.host.act(states.set_mark, which, caret_of(self.host.loaded.source, self.host.state))

    def action_line(self, by: int) -> None:
        """Choose another line."""
        self.host.act(arranging.select_group, by)

    def on_cycle_list_clicked(self, message: CycleList.Clicked) -> None:
        """To the clicked cycle."""
        self.host.act(states.go_to, message.cycle)

    def on_level_view_picked(self, message: LevelView.Picked) -> None:
        """Choose the clicked line."""
        self.host.act(arranging.select_group, message.group - self.host.state.group)

    def action_carry(self, by: Literal[-1, 1]) -> None:
        """Move the chosen line."""
        self.host.act(arranging.move_group, by)

    def action_fold(self) -> None:
        """Open or close a group."""
        self.host.act(arranging.fold)

    def action_join(self) -> None:
        """Into the group above."""
        self.host.act(arranging.join_group)

    def action_split(self) -> None:
        """Out of the group."""
        self.host.act(arranging.split_group)

    def action_hide(self) -> None:
        """Put away."""
        self.host.act(arranging.hide_group)

    def action_show_all(self) -> None:
        """Bring back."""
        self.host.act(arranging.show_all_groups)
