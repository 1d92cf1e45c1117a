"""Notes: what was pinned to cycles, parts and the board."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from busledger.tui import state as states
from busledger.tui.keys import NOTES, bindings
from busledger.tui.loaded import Loaded
from busledger.tui.pinning import notes_text
from busledger.tui.screens.scrolling import TextScreen
from busledger.tui.state import BrowserState

__all__ = ["NotesScreen"]


class NotesScreen(TextScreen):
    """Choose a note, go to its cycle, take it away."""

    view = "notes"
    keys = NOTES
    BINDINGS: ClassVar[list[BindingType]] = bindings(NOTES)

    def show(self, loaded: Loaded, state: BrowserState) -> None:
        """Draw a state."""
        self.page.update(notes_text(self.host.notebook, state.note))

    def action_choose(self, by: int) -> None:
        """Another note, kept in view (two lines each, below the path)."""
        count = len(self.host.notebook.notes)
        if count:
            self.host.act(states.select_note, by, count)
            self.keep_in_view(2 + 2 * self.host.state.note)

    def action_pick(self, number: int) -> None:
        """The clicked note."""
        self.action_choose(number - self.host.state.note)

    def action_open_note(self) -> None:
        """To the cycle of the note."""
        host = self.host
        if not host.notebook.notes:
            return
        note = host.notebook.notes[min(host.state.note, len(host.notebook.notes) - 1)]
        if note.cycle is None:
            host.act(states.say, "This note is not pinned to a cycle.")
        elif note.capture != Path(host.loaded.session.capture_path).name:
            host.act(states.say, "This note belongs to another capture of the board.")
        else:
            host.view("cycles")
            host.act(states.go_to, note.cycle)

    def action_remove(self) -> None:
        """Take the chosen note away."""
        host = self.host
        if not host.notebook.notes:
            return
        note = host.notebook.notes[min(host.state.note, len(host.notebook.notes) - 1)]
        failed = host.notebook.remove(note)
        if failed:
            host.act(states.say, failed, "wrong")
        else:
            host.act(states.select_note, 0, max(1, len(host.notebook.notes)))
            host.act(states.say, "The note is taken away; the .bak file beside it still holds it.")
