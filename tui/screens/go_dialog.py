"""Where to go: one field that takes a time, an address or a cycle's number."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busledger.decoder.errors import UsageError
from busledger.decoder.store import StoreFacts
from busledger.tui.filters import parse_place

__all__ = ["GoDialog"]


class GoDialog(ModalScreen[str | None]):
    """Gives the text when it reads as a place, None on escape."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "close", show=False)]

    def __init__(self, facts: StoreFacts) -> None:
        super().__init__()
        self._facts = facts

    def compose(self) -> ComposeResult:
        """A title, the field, what it takes."""
        with Vertical(classes="dialog"):
            yield Static("Go to", classes="dialog-title", markup=False)
            yield Input(placeholder="1.25ms   4A3F   #1234", compact=True, id="place")
            yield Static("a time: 1.25ms 300us 2s", classes="dialog-hint", markup=False)
            yield Static("an address, its next cycle: 4A3F", classes="dialog-hint", markup=False)
            yield Static("a cycle's number: #1234", classes="dialog-hint", markup=False)
            yield Static("", id="mistake", markup=False)
            yield Static("enter goes   escape closes", classes="dialog-keys", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Close with the text, or say what is wrong with it."""
        event.stop()
        try:
            parse_place(event.value, self._facts.tick_fs, self._facts.address_bits)
        except UsageError as error:
            self.query_one("#mistake", Static).update(str(error))
        else:
            self.dismiss(event.value)
