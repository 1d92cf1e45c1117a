"""What a new note is pinned to, and how notes read: plain functions over the state."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rich.text import Text

from busledger.decoder.errors import BusledgerError
from busledger.decoder.notes import NotesFile, PinnedNote, notes_path
from busledger.decoder.text import plain
from busledger.tui.loaded import Loaded
from busledger.tui.palette import COLOURS
from busledger.tui.state import BrowserState
from busledger.tui.widgets.clicking import acts
from busledger.tui.widgets.heat import chips_of

__all__ = ["Notebook", "notes_text", "target_of", "target_words"]


class Notebook:
    """The notes of the open board; ``problem`` is a sentence where they cannot be read (they are left alone then)."""

    def __init__(self, board: Path | None, capture: str) -> None:
        self.path = notes_path(board, capture)
        self.problem = ""
        self._file: NotesFile | None = None
        try:
            self._file = NotesFile(self.path)
        except BusledgerError as error:
            self.problem = str(error)

    @property
    def notes(self) -> tuple[PinnedNote, ...]:
        """All notes, oldest first."""
        return self._file.notes if self._file is not None else ()

    def add(self, note: PinnedNote) -> str:
        """Keep a note; a sentence if that failed, else nothing."""
        return self._change(lambda file: file.add(note))

    def remove(self, note: PinnedNote) -> str:
        """Take a note away; a sentence if that failed, else nothing."""
        return self._change(lambda file: file.remove(note))

    def _change(self, change: Callable[[NotesFile], None]) -> str:
        if self._file is None:
            return self.problem
        try:
            change(self._file)
        except BusledgerError as error:
            return str(error)
        return ""


def target_of(view: str, loaded: Loaded, state: BrowserState) -> PinnedNote:
    """A note without text: on the cycle in the views of cycles, on the chip (else the lane) of the heat map's cell,
    on the chosen suspect's part in Why, on the board elsewhere."""
    source, result = loaded.source, loaded.session.result
    if view in ("cycles", "levels") and source.total:
        time_s = int(source.cycles.time[state.cursor]) * source.facts.tick_fs * 1e-15
        name = Path(loaded.session.capture_path).name
        return PinnedNote(text="", on="cycle", capture=name, cycle=state.cursor, time_s=time_s)
    if view == "where" and state.region is not None and state.lane is not None and state.region < len(result.regions):
        region = result.regions[state.region].name
        chip = next((c.designator for c in chips_of(loaded.board, region) if state.lane in c.lanes), None)
        return PinnedNote(text="", on="part", part=chip or f"{region} D{state.lane}")
    if view == "why" and result.suspects:
        component = result.suspects[min(state.suspect, len(result.suspects) - 1)].component
        if component is not None:
            return PinnedNote(text="", on="part", part=component)
    return PinnedNote(text="", on="board")


def target_words(note: PinnedNote) -> str:
    """What a note is pinned to, in words."""
    if note.on == "cycle":
        return f"cycle #{note.cycle}" + (f" of {plain(note.capture, 60)}" if note.capture else "")
    if note.on == "part":
        return plain(note.part or "a part", 60)
    return "the board"


def notes_text(book: Notebook, chosen: int) -> Text:
    """The list of notes with the chosen one marked."""
    text = Text(end="")
    text.append(f"{plain(str(book.path), 300)}\n\n", COLOURS["dim"])
    if book.problem:
        text.append(f"✗ {plain(book.problem, 600)}\n", COLOURS["wrong"])
        return text
    if not book.notes:
        text.append("No notes yet. N pins one to the cycle, the part or the board that is chosen.\n", COLOURS["dim"])
    for number, note in enumerate(book.notes):
        start = len(text)
        picked = number == min(chosen, len(book.notes) - 1)
        text.append("▶ " if picked else "  ", f"bold {COLOURS['accent']}")
        text.append(f"{target_words(note)}  ", f"bold {COLOURS['accent']}")
        text.append(f"{plain(note.written, 40)}\n", COLOURS["dim"])
        text.append(f"    {plain(note.text, 2000)}\n", COLOURS["text"])
        text.stylize(acts(f"screen.pick({number})"), start)
    return text
