"""A screen that is one long text: scrolled, never edited; on a wide terminal with something beside it."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Container, VerticalScroll
from textual.widgets import Static

from busledger.tui.screens.base import WIDE, BrowserScreen
from busledger.tui.widgets.clicking import Clickable

__all__ = ["TextScreen"]


class TextScreen(BrowserScreen):
    """Subclasses fill ``#page``; keys scroll it."""

    def compose_body(self) -> ComposeResult:
        """The page, and what stands beside it where the terminal is wide."""
        with Container(id="pages"):
            with VerticalScroll(id="scroll", can_focus=False):
                yield Clickable("", id="page", markup=False)
            with VerticalScroll(id="page-beside", can_focus=False):
                yield from self.compose_beside()

    def compose_beside(self) -> ComposeResult:
        """Nothing, unless a subclass has something."""
        yield from ()

    @property
    def wide(self) -> bool:
        """Whether something stands beside the page."""
        return self.app.size.width >= WIDE

    @property
    def page(self) -> Static:
        """The text."""
        return self.query_one("#page", Static)

    @property
    def _view(self) -> VerticalScroll:
        return self.query_one("#scroll", VerticalScroll)

    def action_line(self, by: int) -> None:
        """One line."""
        self._view.scroll_relative(y=by, animate=False)

    def action_scroll(self, pages: int) -> None:
        """A screenful."""
        self._view.scroll_relative(y=pages * max(1, self._view.size.height - 1), animate=False)

    def keep_in_view(self, line: int) -> None:
        """Scroll no further than needed to show a line (counted before wrapping: at least about right)."""
        top, height = self._view.scroll_offset.y, max(1, self._view.size.height)
        if line < top + 1:
            self._view.scroll_to(y=max(0, line - 2), animate=False)
        elif line > top + height - 2:
            self._view.scroll_to(y=line - height + 2, animate=False)

    def action_top(self) -> None:
        """To the beginning."""
        self._view.scroll_home(animate=False)

    def action_bottom(self) -> None:
        """To the end."""
        self._view.scroll_end(animate=False)
