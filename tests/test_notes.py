"""Notes beside the board file: kept, merged, backed up, and never at the cost of another file."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from busledger.decoder.errors import BoardError, OutputError
from busledger.decoder.notes import NotesFile, PinnedNote, note_lines, notes_path


def test_notes_are_kept_and_read_again(tmp_path: Path) -> None:
    path = notes_path(tmp_path / "card.toml", "x.vcd")
    assert path == tmp_path / "card.toml.notes.json"
    book = NotesFile(path)
    assert book.notes == ()
    book.add(PinnedNote(text="[b]reseated\x1b", on="part", part="U4"))
    book.add(PinnedNote(text="first failure", on="cycle", capture="warm.vcd", cycle=2051, time_s=0.002))
    again = NotesFile(path)
    assert [n.text for n in again.notes] == ["[b]reseated\x1b", "first failure"]
    assert all(n.written.endswith("+00:00") for n in again.notes)
    assert note_lines(again.notes) == ["U4: [b]reseated\x1b", "cycle 2051 of warm.vcd: first failure"]


def test_without_a_board_file_notes_lie_beside_the_capture(tmp_path: Path) -> None:
    assert notes_path(None, str(tmp_path / "warm.vcd")) == tmp_path / "warm.vcd.notes.json"


def test_what_stood_there_goes_to_a_backup(tmp_path: Path) -> None:
    path = tmp_path / "n.json"
    book = NotesFile(path)
    book.add(PinnedNote(text="one"))
    before = path.read_text()
    book.remove(book.notes[0])
    assert book.notes == () and NotesFile(path).notes == ()
    assert (tmp_path / "n.json.bak").read_text() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["n.json", "n.json.bak"]


def test_notes_of_two_writers_are_all_kept(tmp_path: Path) -> None:
    one, two = NotesFile(tmp_path / "n.json"), NotesFile(tmp_path / "n.json")
    one.add(PinnedNote(text="one"))
    two.add(PinnedNote(text="two"))
    one.remove(one.notes[0])
    assert [n.text for n in NotesFile(tmp_path / "n.json").notes] == ["two"]


@pytest.mark.parametrize(
    "content",
    [
        "",
        "no json",
        "[]",
        '{"schema": "busledger.notes/9", "notes": []}',
        '{"schema": "busledger.notes/1", "notes": 3}',
        "\xff",
    ],
)
def test_a_file_that_is_no_notes_file_is_left_alone(tmp_path: Path, content: str) -> None:
    path = tmp_path / "n.json"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(BoardError):
        NotesFile(path)
    assert path.read_bytes() == content.encode("latin-1")


def test_one_that_was_spoiled_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "n.json"
    book = NotesFile(path)
    book.add(PinnedNote(text="one"))
    path.write_text("someone else's")
    with pytest.raises(BoardError, match="not a file of notes"):
        book.add(PinnedNote(text="two"))
    assert path.read_text() == "someone else's"


def test_a_disk_that_refuses_leaves_the_old_notes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "n.json"
    book = NotesFile(path)
    book.add(PinnedNote(text="one"))
    before = path.read_text()

    def refuse(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(OutputError, match="No space left on device"):
        book.add(PinnedNote(text="two"))
    assert path.read_text() == before
    assert [p.name for p in tmp_path.iterdir()] == ["n.json"]
    assert json.loads(before)["schema"] == "busledger.notes/1"
