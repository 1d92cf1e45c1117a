"""Opening: how far decoding has come, or the sentences that say why it failed."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import ProgressBar, Static

from busledger.decoder.text import plain
from busledger.tui.keys import ANYWHERE
from busledger.tui.widgets.bars import KeyBar
from busledger.tui.wording import thousands

__all__ = ["OpeningScreen", "failure_words", "progress_words"]

_DECODING = "Decoding the capture"
_TITLES = {
    "recognise": "Looking whether this capture was decoded before",
    "weighing suspects": "Weighing which faults would explain the wrong reads",
    "clearing parts": "Looking which parts the capture shows sound",
}
_LONGEST = 2000  # characters of one mistake


def progress_words(stage: str, done: int, total: int | None, unit: str) -> tuple[str, str]:
    """Title and sentence for a stage; what is not begun yet has no figure that would read as a result."""
    title = _TITLES.get(stage, _DECODING)
    if not done:
        return title, ""
    of = f" of {thousands(total)}" if total else ""
    tried = " tried so far" if total is None else ""
    return title, f"{plain(stage)}: {thousands(done)}{of} {plain(unit)}{tried}"


def failure_words(sentence: str) -> str:
    """A message as it is; of several mistakes each on its own, what all of them begin with said once above."""
    mistakes = [plain(line.strip(), _LONGEST) for line in sentence.splitlines() if line.strip()]
    if len(mistakes) < 2:
        return "".join(mistakes)
    place = mistakes[0].partition(", ")[0] + ", "
    place = place if all(mistake.startswith(place) for mistake in mistakes) else ""
    head = f"{len(mistakes)} mistakes" + (f" in {place[:-2]}" if place else "")
    return "\n".join([f"{head}:", *(f"· {mistake[len(place) :]}" for mistake in mistakes)])


class OpeningScreen(Screen[None]):
    """Shown until the first session is there; what is too long for the screen scrolls with the arrow keys."""

    def compose(self) -> ComposeResult:
        """A title, a bar, a sentence."""
        with Vertical(id="opening"):
            yield Static(_DECODING, id="opening-title", markup=False)
            yield ProgressBar(show_eta=False, id="opening-bar")
            with VerticalScroll(id="opening-scroll"):
                yield Static("", id="opening-words", markup=False)
        yield KeyBar(ANYWHERE)

    def progress(self, stage: str, done: int, total: int | None, unit: str) -> None:
        """Show a stage's progress."""
        title, words = progress_words(stage, done, total, unit)
        self.query_one("#opening-title", Static).update(title)
        self.query_one(ProgressBar).update(total=total, progress=min(done, total) if total else done)
        self.query_one("#opening-words", Static).update(words)

    def fail(self, sentence: str) -> None:
        """Show why there is nothing to show."""
        self.query_one("#opening-title", Static).update("✗ The capture is not open")
        self.query_one(ProgressBar).display = False
        words = self.query_one("#opening-words", Static)
        words.update(failure_words(sentence))
        words.add_class("wrong")
        self.query_one("#opening-scroll").focus()

    def restart(self) -> None:
        """Back to the beginning, for another try."""
        self.query_one("#opening-title", Static).update(_DECODING)
        bar = self.query_one(ProgressBar)
        bar.display = True
        bar.update(total=None, progress=0)
        words = self.query_one("#opening-words", Static)
        words.update("")
        words.remove_class("wrong")
