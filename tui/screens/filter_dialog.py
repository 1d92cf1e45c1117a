"""Which cycles to show: one field for each thing that can be asked of a cycle."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busledger.decoder.bus.columns import KIND_NAMES
from busledger.decoder.errors import UsageError
from busledger.decoder.store import StoreFacts
from busledger.decoder.text import plain
from busledger.tui.filters import FLAG_WORDS, Filter, filter_fields, parse_filter

__all__ = ["FilterDialog"]


class FilterDialog(ModalScreen[Filter | None]):
    """Gives a filter on enter, None on escape. Starts from the filter in force."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "dismiss(None)", "close", show=False),
        Binding("down", "app.focus_next", "next", show=False),
        Binding("up", "app.focus_previous", "previous", show=False),
    ]

    def __init__(self, facts: StoreFacts, present: Filter) -> None:
        super().__init__()
        self._facts = facts
        self._present = present

    def _hints(self) -> dict[str, str]:
        regions = " ".join(plain(region.name, 12) for region in self._facts.regions[:4])
        return {
            "only": "wrong, compared, disagree, stale, unwritten",
            "region": regions or "none are known",
            "kind": " ".join(KIND_NAMES[:4]) + " …",
            "address": "4000-43FF, or one address",
            "time": "1ms-2.5ms",
            "lane": "D0 D5: any of them wrong",
            "flag": " ".join(list(FLAG_WORDS)[:4]) + " …",
        }

    def compose(self) -> ComposeResult:
        """A labelled field a line."""
        fields = filter_fields(self._present, [r.name for r in self._facts.regions], self._facts.tick_fs)
        with Vertical(classes="dialog"):
            yield Static("Show only cycles that meet all of this", classes="dialog-title", markup=False)
            for key, hint in self._hints().items():
                with Horizontal(classes="dialog-row"):
                    yield Static(key, classes="dialog-label", markup=False)
                    yield Input(fields.get(key, ""), placeholder=hint, compact=True, id=key)
            yield Static("", id="mistake", markup=False)
            yield Static(
                "enter shows   ↑↓ field   escape closes   all blank: every cycle", classes="dialog-keys", markup=False
            )

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Close with the filter, or say which field is wrong."""
        event.stop()
        facts = self._facts
        fields = {str(field.id): field.value for field in self.query(Input)}
        try:
            wanted = parse_filter(
                fields, [r.name for r in facts.regions], facts.tick_fs, facts.address_bits, facts.data_bits
            )
        except UsageError as error:
            self.query_one("#mistake", Static).update(str(error))
        else:
            self.dismiss(wanted)
