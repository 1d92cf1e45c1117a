"""Selects, Buffers, Timing, Trend: the checks' results as pages of pictures."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.widgets import Static

from busledger.tui.keys import PICTURE, VIEWS, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.screens.scrolling import TextScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.buffer_picture import buffers_text
from busledger.tui.widgets.clicking import Clickable, acts
from busledger.tui.widgets.select_picture import selects_text
from busledger.tui.widgets.timing_picture import timing_text
from busledger.tui.widgets.trend_picture import trend_text

__all__ = ["BuffersScreen", "SelectsScreen", "TimingScreen", "TrendScreen"]


def _document(loaded: Loaded, name: str) -> str | None:
    """The check's whole result, if it was kept with the decoded capture as ``NAME.json``."""
    return loaded.session.store.documents.get(f"{name}.json")


def _selects(loaded: Loaded, _state: BrowserState, width: int) -> Text:
    parts = [part.designator for part in loaded.board.decoders] if loaded.board is not None else []
    return selects_text(loaded.session.result, width, _document(loaded, "selects"), parts)


def _buffers(loaded: Loaded, _state: BrowserState, width: int) -> Text:
    parts = [part.designator for part in loaded.board.buffers] if loaded.board is not None else []
    return buffers_text(loaded.session.result, width, _document(loaded, "buffers"), parts)


def _timing(loaded: Loaded, _state: BrowserState, width: int) -> Text:
    return timing_text(loaded.session.result, width, _document(loaded, "timing"))


_TEXTS: dict[str, Callable[[Loaded, BrowserState, int], Text]] = {
    "selects": _selects,
    "buffers": _buffers,
    "timing": _timing,
    "trend": trend_text,
}
_BESIDE = {"selects": "buffers", "buffers": "selects", "timing": "trend", "trend": "timing"}


class _Picture(TextScreen):
    """On a wide terminal the page that belongs to it stands beside it."""

    keys = PICTURE
    BINDINGS: ClassVar[list[BindingType]] = bindings(PICTURE)
    _drawn_width = 0

    def compose_beside(self) -> ComposeResult:
        """The other page under its name."""
        name, key, word = next(view for view in VIEWS if view[0] == _BESIDE[self.view])
        yield Clickable(Text(f"{key} {word}", style=acts(f"app.view('{name}')")), id="beside-title", markup=False)
        yield Static("", id="beside-page", markup=False)

    @property
    def _width(self) -> int:
        return max(40, (self.app.size.width // 2 if self.wide else self.app.size.width) - 3)

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(_TEXTS[self.view](loaded, state, self._width))
        if self.wide:
            beside = _TEXTS[_BESIDE[self.view]](loaded, state, self._width)
            self.query_one("#beside-page", Static).update(beside)

    def on_resize(self) -> None:
        """Pictures depend on the width."""
        if self.ready and self._width != self._drawn_width:
            self.draw()

    def draw(self) -> None:
        """Draw, and remember for which width."""
        self._drawn_width = self._width
        super().draw()


class SelectsScreen(_Picture):
    """Decoders and region selects."""

    view = "selects"


class BuffersScreen(_Picture):
    """Bus drivers."""

    view = "buffers"


class TimingScreen(_Picture):
    """Published limits and measured times."""

    view = "timing"


class TrendScreen(_Picture):
    """Failures over time."""

    view = "trend"
