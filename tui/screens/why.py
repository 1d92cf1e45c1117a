"""Why: one suspect with its evidence, its rivals, what is cleared and what to do next."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from busledger.decoder.findings import CheckResult, Suspect
from busledger.decoder.store import StoreFacts
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.keys import WHY, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.places import cell_filter
from busledger.tui.screens.scrolling import TextScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.detail import CycleDetail
from busledger.tui.widgets.levels import LevelView
from busledger.tui.widgets.suspects import pieces_of, why_text

__all__ = ["WhyScreen", "suspect_filter"]


def suspect_filter(suspect: Suspect, result: CheckResult, facts: StoreFacts) -> Filter:
    """The wrong cycles in a suspect's regions, on its lanes, at its address, as far as it names them."""
    names = {name for name in (suspect.region, suspect.other_region) if name is not None}
    lanes = {int(lane[1:]) for lane in suspect.lanes if lane[1:].isdigit()}
    wanted = cell_filter(facts, result, names, sum(1 << lane for lane in lanes))
    if suspect.address is None:
        return wanted
    return replace(wanted, address=(suspect.address, suspect.address))


class WhyScreen(TextScreen):
    """Left and right turn the suspects, up and down choose what to look at."""

    view = "why"
    keys = WHY
    BINDINGS: ClassVar[list[BindingType]] = bindings(WHY)

    def compose_beside(self) -> ComposeResult:
        """The chosen piece's cycle, in words and as levels."""
        yield CycleDetail("", id="why-detail", markup=False)
        yield LevelView(id="why-levels")

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        result, source = loaded.session.result, loaded.source
        text, _ = why_text(result, source, state)
        self.page.update(text)
        if not self.wide or not source.total:
            return
        pieces = pieces_of(result, source, state.suspect)
        chosen = pieces[min(state.evidence, len(pieces) - 1)].cycle if pieces else None
        first = next((piece.cycle for piece in pieces if piece.cycle is not None), state.cursor)
        there = replace(state, cursor=first if chosen is None else chosen, caret=None, lane=None)
        self.query_one(CycleDetail).show(source, loaded.board, there)
        self.query_one(LevelView).show(source, there)

    def action_turn(self, by: int) -> None:
        """Another suspect."""
        count = len(self.host.loaded.session.result.suspects)
        if count:
            self.host.act(states.select_suspect, self.host.state.suspect + by, count)
            self.action_top()

    def action_suspect(self, rank: int) -> None:
        """The suspect of that rank."""
        count = len(self.host.loaded.session.result.suspects)
        if rank > count:
            self.host.act(states.say, f"There is no suspect of rank {rank}.")
        else:
            self.host.act(states.select_suspect, rank - 1, count)
            self.action_top()

    def action_piece(self, by: int) -> None:
        """Another piece of evidence, kept in view."""
        host = self.host
        pieces = pieces_of(host.loaded.session.result, host.loaded.source, host.state.suspect)
        if not pieces:
            self.action_line(by)
            return
        host.act(states.select_evidence, by, len(pieces))
        _, line = why_text(host.loaded.session.result, host.loaded.source, host.state)
        self.keep_in_view(line)

    def action_choose_piece(self, number: int) -> None:
        """The clicked piece; clicked again: to it."""
        if number == self.host.state.evidence:
            self.action_open_piece()
        else:
            self.action_piece(number - self.host.state.evidence)

    def action_open_piece(self) -> None:
        """To the cycle, or to the wrong cycles of this suspect."""
        host = self.host
        result = host.loaded.session.result
        pieces = pieces_of(result, host.loaded.source, host.state.suspect)
        if not result.suspects:
            host.act(states.say, "There is no suspect.")
            return
        piece = pieces[min(host.state.evidence, len(pieces) - 1)] if pieces else None
        host.view("cycles")
        if piece is not None and piece.cycle is not None:
            host.act(states.go_to, piece.cycle)
        else:
            suspect = result.suspects[min(host.state.suspect, len(result.suspects) - 1)]
            host.select(suspect_filter(suspect, result, host.loaded.source.facts))
