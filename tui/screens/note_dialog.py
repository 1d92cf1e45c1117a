"""One line of text to pin to something."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

__all__ = ["NoteDialog"]


class NoteDialog(ModalScreen[str | None]):
    """Gives the text on enter, None on escape or where it is blank."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "close", show=False)]

    def __init__(self, target: str, path: str) -> None:
        super().__init__()
        self._target = target
        self._path = path

    def compose(self) -> ComposeResult:
        """What it is pinned to, the field, where it is kept."""
        with Vertical(classes="dialog"):
            yield Static(f"A note on {self._target}", classes="dialog-title", markup=False)
            yield Input(compact=True, id="note", max_length=500)
            # The end of a long path says more than its beginning.
            room = min(74, self.app.size.width * 95 // 100) - 14
            path = self._path if len(self._path) <= room else f"…{self._path[-room + 1 :]}"
            yield Static(f"kept in {path}", classes="dialog-hint", markup=False)
            yield Static("enter keeps it   escape closes", classes="dialog-keys", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Close with the text."""
        event.stop()
        self.dismiss(event.value.strip() or None)
