"""What all screens of the browser have in common: bars around a body, and one way to change the state."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterator
from contextlib import suppress
from typing import Any, ClassVar, Protocol, cast

from textual.app import ComposeResult
from textual.css.query import NoMatches
from textual.events import Key
from textual.screen import Screen

from busledger.tui import keys as tables
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.keys import ANYWHERE, nothing_words
from busledger.tui.loaded import Loaded
from busledger.tui.pinning import Notebook
from busledger.tui.program import ProgramView
from busledger.tui.state import BrowserState
from busledger.tui.widgets.bars import KeyBar, StatusLine, ViewBar

__all__ = ["TALL", "WIDE", "BrowserScreen", "Host"]

TALL = 34  # lines from which there is room for more below
WIDE = 160  # columns from which two views stand side by side; as in the application's breakpoints


class Host(Protocol):
    """The application as its screens see it."""

    state: BrowserState
    loaded: Loaded
    notebook: Notebook
    program: ProgramView | None

    def act(self, change: Callable[..., BrowserState], *args: Any) -> None:
        """Replace the state by ``change(state, *args)`` and draw it."""

    def search(self, run: Iterator[tuple[int, int | None]], nothing: str, *, edge: bool = False) -> None:
        """Run a search in a worker; go to what it finds, else say ``nothing``."""

    def select(self, wanted: Filter) -> None:
        """Apply a filter in a worker."""

    def fold(self, program: ProgramView) -> None:
        """Show a line an instruction."""

    def view(self, name: str) -> None:
        """Show another view."""

    def status(self) -> str:
        """What is loaded, in a line."""

    def filter_status(self, short: bool) -> str:
        """The filter with its key; empty where there is none."""


class BrowserScreen(Screen[None]):
    """A view: ``view`` is its name in ``busledger.tui.keys.VIEWS``, ``keys`` what its key bar shows."""

    view: ClassVar[str] = ""
    keys: ClassVar[tuple[tables.Key, ...]] = ()
    ready = False

    @property
    def host(self) -> Host:
        """The application."""
        return cast(Host, self.app)

    def compose(self) -> ComposeResult:
        """Bars and body."""
        yield ViewBar(self.view)
        yield StatusLine(id="status", markup=False)
        yield from self.compose_body()
        yield KeyBar((*self.keys, *ANYWHERE))

    @abstractmethod
    def compose_body(self) -> ComposeResult:
        """The widgets between the bars."""

    @abstractmethod
    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""

    def draw(self) -> None:
        """Draw the application's state, status line included."""
        host = self.host
        line = self.query_one("#status", StatusLine)
        # The filter comes first: a message may be long, and a filter must never go unsaid.
        if host.state.message:
            line.say(host.state.message, host.state.tone, host.filter_status(short=True))
        else:
            line.say(host.status(), "dim", host.filter_status(short=False))
        self.show(host.loaded, host.state)

    def on_mount(self) -> None:
        """Composed: drawn for the first time. While the application is leaving, composing stops half-way; then not."""
        with suppress(NoMatches):
            self.draw()
            self.ready = True

    def on_key(self, event: Key) -> None:
        """A key that does nothing here says so, and where it does something."""
        if self.ready and event.key not in self.active_bindings:
            self.host.act(states.say, nothing_words(self.view, event.key, event.character))

    def on_screen_resume(self) -> None:
        """Coming back to a view, it shows what the others changed."""
        if self.ready:
            self.draw()
