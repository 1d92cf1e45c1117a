"""Another capture of the same board: its path."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.suggester import Suggester
from textual.widgets import Input, Static

from busledger.decoder.text import plain

__all__ = ["OpenDialog", "complete_path"]


def complete_path(text: str) -> str | None:
    """The path completed as far as the names in its folder agree; None where nothing can be added."""
    path = Path(text).expanduser()
    folder, stem = (path, "") if text.endswith("/") else (path.parent, path.name)
    try:
        names = sorted(
            entry.name + ("/" if entry.is_dir() else "") for entry in folder.iterdir() if entry.name.startswith(stem)
        )
    except OSError:
        return None
    if not names:
        return None
    common = names[0]
    for name in names[1:]:
        while not name.startswith(common):
            common = common[:-1]
    return text + common[len(stem) :] if len(common) > len(stem) else None


class _PathSuggester(Suggester):
    def __init__(self) -> None:
        super().__init__(use_cache=False, case_sensitive=True)

    async def get_suggestion(self, value: str) -> str | None:
        return complete_path(value) if value else None


class OpenDialog(ModalScreen[str | None]):
    """Gives a path that is a file, None on escape."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape", "dismiss(None)", "close", show=False)]

    def __init__(self, present: str) -> None:
        super().__init__()
        self._present = present

    def compose(self) -> ComposeResult:
        """A title, the field, what is wrong with it."""
        with Vertical(classes="dialog"):
            yield Static("Open another capture of this board", classes="dialog-title", markup=False)
            yield Input(self._present, suggester=_PathSuggester(), compact=True, id="path")
            yield Static("", id="mistake", markup=False)
            yield Static("enter opens   → completes   escape closes", classes="dialog-keys", markup=False)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Close with the path, or say that there is no such file."""
        event.stop()
        path = Path(event.value.strip()).expanduser()
        try:
            found = path.is_file()
        except (OSError, ValueError):
            found = False
        if found:
            self.dismiss(str(path))
        else:
            self.query_one("#mistake", Static).update(f"There is no file {plain(str(path), 200)}.")
