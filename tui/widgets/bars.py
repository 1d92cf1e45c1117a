"""The lines above and below every screen: views, what is loaded, and the keys."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text
from textual.widgets import Static

from busledger.tui.keys import VIEWS, Key
from busledger.tui.palette import ACCENT, COLOURS, DIM, GROUND, KEY
from busledger.tui.widgets.clicking import Clickable, acts

_LAST = ("?", "q")  # shown whatever else there is no room for
_LOW = 30  # terminals lower than this spend three lines on keys, not more

__all__ = ["KeyBar", "StatusLine", "ViewBar", "key_text", "view_text"]


def view_text(current: str) -> Text:
    """All views with their keys, each to be clicked; the current one between brackets of its own."""
    text = Text(no_wrap=True, end="")
    for place, (name, key, word) in enumerate(VIEWS):
        if place:
            text.append(" ")
        if name == current:
            text.append(f"▐{key} {word}▌", f"bold {GROUND} on {ACCENT}")
        else:
            start = len(text)
            text.append(key, f"bold {KEY}")
            text.append(f" {word}", DIM)
            text.stylize(acts(f"app.view('{name}')"), start)
    return text


def key_text(keys: Sequence[Key], width: int, lines: int = 0) -> Text:
    """Keys and words, wrapped so that no pair is torn apart.

    ``lines``: at most so many; the last two keys shown are then always help and quit. 0: as many as it takes.
    """
    if lines and _lines(keys, width) > lines:
        last = [key for key in keys if key.shown in _LAST]
        first = [key for key in keys if key.shown not in _LAST]
        while first and _lines((*first, *last), width) > lines:
            first.pop()
        keys = (*first, *last)
    text = Text(end="")
    used = 0
    for key in keys:
        length = len(key.shown) + 1 + len(key.word)
        if used and used + 2 + length > width:
            text.append("\n")
            used = 0
        if used:
            text.append("  ")
            used += 2
        _append_key(text, key)
        used += length
    return text


def _lines(keys: Sequence[Key], width: int) -> int:
    """How many lines all of them take."""
    lines, used = 1, 0
    for key in keys:
        length = len(key.shown) + 1 + len(key.word)
        if used and used + 2 + length > width:
            lines, used = lines + 1, 0
        used += length + (2 if used else 0)
    return lines


def _append_key(text: Text, key: Key) -> None:
    """Each sign presses its own key when it is clicked, the word the last of them: forward."""
    signs = key.shown.split(" ") if " " in key.shown else list(key.shown) if key.shown[0] in "←↑" else [key.shown]
    presses = [press for press, _ in key.presses[: len(signs)]] if "-" not in key.shown[1:] else []
    for place, sign in enumerate(signs):
        if place and " " in key.shown:
            text.append(" ")
        start = len(text)
        text.append(sign, f"bold {KEY}")
        if place < len(presses):
            text.stylize(acts(f"app.type('{presses[place]}')"), start)
    start = len(text)
    text.append(f" {key.word}", DIM)
    if presses:
        text.stylize(acts(f"app.type('{presses[0 if signs[0].isalpha() else -1]}')"), start)


class ViewBar(Clickable):
    """The first line: every view, one key away."""

    def __init__(self, current: str) -> None:
        super().__init__(view_text(current), markup=False)


class StatusLine(Static):
    """The second line: what is shown, or the sentence that the last key led to."""

    def say(self, text: str, tone: str, before: str = "") -> None:
        """Show untrusted text in a palette colour; ``before`` stands first, as something to keep in mind."""
        mark = {"wrong": "✗ ", "good": "✓ "}.get(tone, "")
        shown = Text(no_wrap=True, overflow="ellipsis", end="")
        if before:
            shown.append(before, COLOURS["caution"])
            shown.append(" │ ", COLOURS["dim"])
        shown.append(mark + text, COLOURS[tone])
        if self.size.width:
            shown.truncate(self.size.width, overflow="ellipsis")
        self.update(shown, layout=False)


class KeyBar(Clickable):
    """The last lines: the keys of this screen."""

    def __init__(self, keys: Sequence[Key]) -> None:
        super().__init__(markup=False)
        self._keys = keys
        self._shown_width = -1

    def on_mount(self) -> None:
        """Fill in at the first size; later sizes come by on_resize."""
        self._fill(self.app.size.width)

    def on_resize(self) -> None:
        """Wrap anew."""
        self._fill(self.size.width)

    def _fill(self, width: int) -> None:
        if width > 0 and width != self._shown_width:
            self._shown_width = width
            self.update(key_text(self._keys, width, 3 if self.app.size.height < _LOW else 0))
