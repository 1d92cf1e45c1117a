"""Selects, Buffers, Timing, Trend: the checks' results as pages of pictures."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import BindingType

from busledger.tui.keys import PICTURE, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.screens.scrolling import TextScreen
from busledger.tui.state import BrowserState
from busledger.tui.widgets.buffer_picture import buffers_text
from busledger.tui.widgets.select_picture import selects_text
from busledger.tui.widgets.timing_picture import timing_text
from busledger.tui.widgets.trend_picture import trend_text

__all__ = ["BuffersScreen", "SelectsScreen", "TimingScreen", "TrendScreen"]


def _document(loaded: Loaded, name: str) -> str | None:
    """The check's whole result, if it was kept with the decoded capture as ``NAME.json``."""
    return loaded.session.store.documents.get(f"{name}.json")


class _Picture(TextScreen):
    keys = PICTURE
    BINDINGS: ClassVar[list[BindingType]] = bindings(PICTURE)
    _drawn_width = 0

    @property
    def _width(self) -> int:
        return max(40, self.app.size.width - 2)

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

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(selects_text(loaded.session.result, self._width, _document(loaded, "selects")))


class BuffersScreen(_Picture):
    """Bus drivers."""

    view = "buffers"

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(buffers_text(loaded.session.result, self._width, _document(loaded, "buffers")))


class TimingScreen(_Picture):
    """Published limits and measured times."""

    view = "timing"

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(timing_text(loaded.session.result, self._width, _document(loaded, "timing")))


class TrendScreen(_Picture):
    """Failures over time."""

    view = "trend"

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(trend_text(loaded, state, self._width))
