"""Opening: how far decoding has come, or the sentence that says why it failed."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import ProgressBar, Static

from busledger.decoder.text import plain
from busledger.tui.keys import ANYWHERE
from busledger.tui.widgets.bars import KeyBar
from busledger.tui.wording import thousands

__all__ = ["OpeningScreen"]


class OpeningScreen(Screen[None]):
    """Shown until the first session is there."""

    def compose(self) -> ComposeResult:
        """A title, a bar, a sentence."""
        with Vertical(id="opening"):
            yield Static("Decoding the capture", id="opening-title", markup=False)
            yield ProgressBar(show_eta=False, id="opening-bar")
            yield Static("", id="opening-words", markup=False)
        yield KeyBar(ANYWHERE)

    def progress(self, stage: str, done: int, total: int | None, unit: str) -> None:
        """Show a stage's progress."""
        self.query_one(ProgressBar).update(total=total, progress=min(done, total) if total else done)
        of = f" of {thousands(total)}" if total else ""
        self.query_one("#opening-words", Static).update(f"{plain(stage)}: {thousands(done)}{of} {plain(unit)}")

    def fail(self, sentence: str) -> None:
        """Show why there is nothing to show."""
        self.query_one("#opening-title", Static).update("✗ The capture is not open")
        self.query_one(ProgressBar).display = False
        words = self.query_one("#opening-words", Static)
        words.update(plain(sentence, 2000))
        words.add_class("wrong")

    def restart(self) -> None:
        """Back to the beginning, for another try."""
        self.query_one("#opening-title", Static).update("Decoding the capture")
        bar = self.query_one(ProgressBar)
        bar.display = True
        bar.update(total=None, progress=0)
        words = self.query_one("#opening-words", Static)
        words.update("")
        words.remove_class("wrong")
