"""Every key of every screen, from the same tables that bind them."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Static

from busledger.tui.keys import SHEET, VIEWS
from busledger.tui.palette import ACCENT, DIM, KEY, TEXT

__all__ = ["HelpSheet", "help_text"]


def help_text() -> Text:
    """The sheet as text."""
    text = Text()
    text.append("Views, from anywhere\n", f"bold {ACCENT}")
    for _, letter, word in VIEWS:
        text.append(f"  {letter:<9}", f"bold {KEY}")
        text.append(f"{word}\n", TEXT)
    for title, keys in SHEET:
        text.append(f"\n{title}\n", f"bold {ACCENT}")
        for key in keys:
            text.append(f"  {key.shown:<9}", f"bold {KEY}")
            text.append(f"{key.sentence}\n", TEXT)
    text.append("\nSigns in the list of cycles\n", f"bold {ACCENT}")
    for sign, meaning in (
        ("✗", "a compared read that is wrong"),
        ("✓", "a compared read that is right"),
        ("→", "a write"),
        ("≠", "an unwritten cell that read differently before"),
        ("~", "proves nothing: stale after a gap, or address lines not wired"),
    ):
        text.append(f"  {sign:<9}", f"bold {KEY}")
        text.append(f"{meaning}\n", DIM)
    return text


class HelpSheet(ModalScreen[None]):
    """Scrolls with the arrow keys; any of escape, ? and q closes it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,question_mark,q", "dismiss(None)", "close", show=False),
    ]

    def compose(self) -> ComposeResult:
        """One scrolling page."""
        with VerticalScroll(classes="sheet"):
            yield Static(help_text())
            yield Static("↑↓ scroll   escape closes", classes="dialog-keys", markup=False)
