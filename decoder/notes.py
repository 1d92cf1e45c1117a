"""Notes that a person pins to a cycle, a part or the whole board, in a file beside the board file.

The file is JSON (``busledger.notes/1``). It is never overwritten without a
backup: what stood there goes to ``….bak`` first, and the new text appears by
rename. Notes that another process added meanwhile are kept.
"""

from __future__ import annotations

import json
import os
import uuid
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from busledger.decoder.errors import BoardError, OutputError

__all__ = ["NotesFile", "PinnedNote", "note_lines", "notes_path"]

_SCHEMA = "busledger.notes/1"
_MOST_CHARACTERS = 2000


class PinnedNote(BaseModel):
    """One note. ``on`` says what it is pinned to; ``cycle`` and ``time_s`` with the ``capture`` they belong to."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    text: str
    on: Literal["board", "part", "cycle"] = "board"
    part: str | None = None
    capture: str | None = None
    cycle: int | None = None
    time_s: float | None = None
    written: str = ""


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid")

    schema_: Literal["busledger.notes/1"]
    notes: tuple[PinnedNote, ...]


def notes_path(board: Path | None, capture: str) -> Path:
    """Where the notes are: beside the board file, or beside the capture where there is none."""
    beside = board if board is not None else Path(capture)
    return beside.with_name(f"{beside.name}.notes.json")


class NotesFile:
    """The notes of one board. A file that is not there yet has no notes.

    Raises
    ------
    BoardError
        The file is there and is no notes file; it is left alone.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notes = self._read()

    def _read(self) -> tuple[PinnedNote, ...]:
        try:
            text = self.path.read_text(encoding="utf-8")
        except FileNotFoundError:
            return ()
        except (OSError, UnicodeDecodeError) as error:
            raise BoardError(f"The notes cannot be read: {error}", where=str(self.path)) from error
        try:
            given = json.loads(text)
            return _File(schema_=given.pop("schema"), **given).notes
        except (ValueError, TypeError, KeyError, AttributeError, ValidationError) as error:
            raise BoardError(
                "This is not a file of notes",
                where=str(self.path),
                expected=f'JSON with "schema": "{_SCHEMA}"',
                hint="Move it away, and notes can be written.",
            ) from error

    def add(self, note: PinnedNote) -> None:
        """Append a note, its time of writing filled in. Raises OutputError, BoardError; nothing is lost then."""
        stamped = note.model_copy(
            update={"text": note.text[:_MOST_CHARACTERS], "written": datetime.now(UTC).isoformat(timespec="seconds")}
        )
        self._write((*self._read(), stamped))

    def remove(self, note: PinnedNote) -> None:
        """Take a note away; the backup still holds it. One that is gone already is no error."""
        kept = list(self._read())
        with suppress(ValueError):
            kept.remove(note)
        self._write(tuple(kept))

    def _write(self, notes: tuple[PinnedNote, ...]) -> None:
        body = {"schema": _SCHEMA, "notes": [note.model_dump(exclude_none=True) for note in notes]}
        work = self.path.with_name(f"{self.path.name}.{os.getpid()}-{uuid.uuid4().hex[:8]}")
        try:
            if self.path.exists():
                self._put(work, self.path.read_text(encoding="utf-8"))
                work.replace(self.path.with_name(f"{self.path.name}.bak"))
            self._put(work, json.dumps(body, ensure_ascii=False, indent=1) + "\n")
            work.replace(self.path)
        except OSError as error:
            with suppress(OSError):
                work.unlink(missing_ok=True)
            raise OutputError(f"The note could not be kept: {error.strerror or error}", where=str(self.path)) from error
        self.notes = notes

    @staticmethod
    def _put(path: Path, text: str) -> None:
        with path.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())


def note_lines(notes: tuple[PinnedNote, ...]) -> list[str]:
    """One line a note, for the report: what it is pinned to, then its text."""
    lines = []
    for note in notes:
        place = {"board": "board", "part": note.part or "part", "cycle": f"cycle {note.cycle}"}[note.on]
        if note.on == "cycle" and note.capture:
            place += f" of {note.capture}"
        lines.append(f"{place}: {note.text}")
    return lines
