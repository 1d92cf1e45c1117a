"""The part of the application that its screens see: the one state, its changes, searches, notes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from textual.app import App, ScreenStackError
from textual.screen import Screen

from busledger.decoder.text import plain
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.loaded import Loaded
from busledger.tui.messages import Found, RowsSelected, SearchProgress
from busledger.tui.pinning import Notebook, target_of, target_words
from busledger.tui.program import ProgramView
from busledger.tui.screens.base import BrowserScreen
from busledger.tui.screens.note_dialog import NoteDialog
from busledger.tui.source import select_rows
from busledger.tui.state import BrowserState
from busledger.tui.wording import thousands
from busledger.tui.workers import filter_work, search_work

__all__ = ["HostApp"]


class HostApp(App[int]):
    """Holds the state; screens draw it and ask for changes (``busledger.tui.screens.base.Host``)."""

    def __init__(self) -> None:
        super().__init__()
        self.state: BrowserState = BrowserState(0, states.Rows(0))
        self.loaded_or_none: Loaded | None = None
        self.notebook_or_none: Notebook | None = None
        self.program: ProgramView | None = None  # while it is shown
        self.searching = False
        self._search = 0  # of the latest search; older answers are dropped
        self._opening = ""  # what a decoding in the background says of itself

    @property
    def loaded(self) -> Loaded:
        """The session; screens exist only while there is one."""
        assert self.loaded_or_none is not None
        return self.loaded_or_none

    @property
    def notebook(self) -> Notebook:
        """The notes of the open board."""
        assert self.notebook_or_none is not None
        return self.notebook_or_none

    def act(self, change: Callable[..., BrowserState], *args: Any) -> None:
        """Replace the state by ``change(state, *args)`` and draw it."""
        self.state = change(self.state, *args)
        self._draw()

    def search(self, run: Iterator[tuple[int, int | None]], nothing: str, *, edge: bool = False) -> None:
        """Run a search in a worker; a new one replaces the last."""
        self._begin_search()
        work = search_work(self._search, run, self.loaded.source.total, nothing, self.post_message, edge=edge)
        self.run_worker(work, thread=True, exclusive=True, group="search")

    def select(self, wanted: Filter) -> None:
        """Apply a filter in a worker."""
        self._begin_search()
        rows = select_rows(self.loaded.source, wanted)
        work = filter_work(self._search, wanted, rows, self.loaded.source.total, self.post_message)
        self.run_worker(work, thread=True, exclusive=True, group="search")

    def fold(self, program: ProgramView) -> None:
        """Show a line an instruction; the rows are found in a worker."""
        self._begin_search()
        work = filter_work(self._search, Filter(), program.folded_rows(), self.loaded.source.total, self.post_message)
        self.run_worker(work, thread=True, exclusive=True, group="search")

    def _begin_search(self) -> None:
        self._search += 1
        self.searching = True

    def view(self, name: str) -> None:
        """Show another view; what was said of the one before is not said there."""
        top = self._top()
        if self.loaded_or_none is not None and isinstance(top, BrowserScreen) and top.view != name:
            self.state = replace(self.state, message="", tone="dim")
            self.switch_screen(name)

    def filter_status(self, short: bool) -> str:
        """The filter that is on, or was put aside, with the key that turns it off or on; empty where there is none."""
        state, names = self.state, [region.name for region in self.loaded.source.facts.regions]
        if not state.filter.empty:
            shown = f"{thousands(len(state.rows))} of {thousands(state.total)} shown"
            return f"F lifts: {shown}" + ("" if short else f", {state.filter.words(names)}")
        if state.lifted is None:
            return ""
        return "F: filter again" if short else f"F again: {state.lifted[0].words(names)}"

    def status(self) -> str:
        """Capture, profile and counts, in a line."""
        loaded = self.loaded
        session, total = loaded.session, loaded.source.total
        wrong = len(loaded.source.mismatch_rows)
        parts = [plain(Path(session.capture_path).name, 40), plain(session.result.profile, 20)]
        others = "".join(
            f" ({thousands(number)} {kind})"
            for kind in ("idle", "refresh")
            if (number := session.result.cycles.by_kind.get(kind, 0))
        ).replace(") (", ", ")
        told = f"{thousands(wrong)} wrong" if session.result.judged else "not judged"
        parts.append(f"{thousands(total)} cycles{others}, {told}")
        if self._opening:
            parts.append(self._opening)
        return " │ ".join(parts)

    def _draw(self) -> None:
        screen = self._top()
        if isinstance(screen, BrowserScreen) and screen.ready and self.loaded_or_none is not None:
            screen.draw()

    def _top(self) -> Screen[Any] | None:
        """The screen on top; None while the application is leaving (a timer or a worker may still come by then)."""
        try:
            return self.screen
        except ScreenStackError:
            return None

    def on_search_progress(self, message: SearchProgress) -> None:
        """Say how far a long search is."""
        if message.ticket == self._search and self.searching:
            share = 100 * message.looked // max(1, message.total)
            self.act(states.say, f"Searching, {share} % looked at. Escape stops.")

    def on_found(self, message: Found) -> None:
        """Go there, or say that there is nothing."""
        if message.ticket != self._search:
            return
        self.searching = False
        if message.place is None:
            self.act(states.say, message.nothing)
        else:
            self.act(states.place_caret if message.edge else states.go_to, message.place)

    def on_rows_selected(self, message: RowsSelected) -> None:
        """Show the cycles that passed."""
        if message.ticket == self._search:
            self.searching = False
            self.act(states.set_filter, message.wanted, message.rows)

    def action_flip_filter(self) -> None:
        """Lift the filter, or put it back."""
        if self.loaded_or_none is not None:
            self.act(states.flip_filter)

    def action_type(self, key: str) -> None:
        """A key that was clicked."""
        self.simulate_key(key)

    def stop_search(self) -> None:
        """Drop the search that runs."""
        self._search += 1
        self.searching = False
        self.workers.cancel_group(self, "search")
        self.act(states.say, "Stopped. Cycles further on were not looked at.")

    def action_pin(self) -> None:
        """Ask for a note on what is chosen."""
        screen = self.screen
        if self.loaded_or_none is None or not isinstance(screen, BrowserScreen):
            return
        target = target_of(screen.view, self.loaded, self.state)

        def keep(text: str | None) -> None:
            if text is None:
                return
            failed = self.notebook.add(target.model_copy(update={"text": text}))
            if failed:
                self.act(states.say, failed, "wrong")
            else:
                self.act(states.say, f"The note on {target_words(target)} is kept.", "good")

        self.push_screen(NoteDialog(target_words(target), plain(str(self.notebook.path), 200)), keep)
