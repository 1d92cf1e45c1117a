"""A disk that is full at any of the writes: one message, exit status 2, the old file whole, nothing left behind.

The limit on a file's size (RLIMIT_FSIZE) stands in for the disk: a write beyond it fails as ENOSPC would, in every
file that the process writes, at the byte that is asked for here.
"""

from __future__ import annotations

import resource
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from busledger.decoder.errors import OutputError
from busledger.decoder.ledger import AccessLog
from busledger.decoder.notes import NotesFile, PinnedNote, notes_path
from busledger.decoder.pipeline import Request, open_session
from busledger.decoder.store.cache import StoreCache
from busledger.tui.commands.main import main
from tests.hostile.small import LOOM, Bench, dump, said

RUN = ("run.vcd", "--board", "card.toml")
NEW = ["--name", "x", "--bus", "6502", "--ram", "a=4000-43FF", "--part", "2114", "--designators", "U1,U2", "--force"]
WRITERS = {
    "cycles --csv": ("cycles", *RUN, "--csv", "OUT"),
    "cycles --jsonl": ("cycles", *RUN, "--jsonl", "OUT"),
    "check --html": ("check", *RUN, "--html", "OUT"),
    "check --markdown": ("check", *RUN, "--markdown", "OUT"),
    "demo --html": ("demo", "loom", "--html", "OUT"),
    "join --out": ("join", "run.vcd", "run.vcd", "--board", "card.toml", "--out", "OUT"),
    "plan --html": ("plan", "--board", "card.toml", "--channels", "8", "--rate", "24M", "--html", "OUT"),
    "board new": ("board", "new", "OUT", *NEW),
}
PRINTERS = {
    "check": ("check", *RUN),
    "check --json": ("check", *RUN, "--json"),
    "cycles": ("cycles", *RUN),
    "cycles --csv -": ("cycles", *RUN, "--csv", "-"),
    "cycles --json": ("cycles", *RUN, "--json"),
    "selects": ("selects", *LOOM),
    "buffers": ("buffers", *LOOM),
    "timing": ("timing", *RUN),
    "probes": ("probes", *RUN),
    "plan": ("plan", "--board", "card.toml", "--channels", "8", "--rate", "24M"),
    "match": ("match", "run.vcd", "run.vcd", "--board", "card.toml"),
    "board draw": ("board", "draw", "card.toml"),
    "parts": ("parts", "2114"),
    "profiles": ("profiles",),
    "--version": ("--version",),
}


@contextmanager
def full_after(size: int) -> Iterator[None]:
    """No file may grow beyond ``size`` bytes."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture
def scratch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder for temporary files."""
    folder = tmp_path / "scratch"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    return folder


@pytest.mark.parametrize("size", [0, 300])
@pytest.mark.parametrize("words", WRITERS.values(), ids=WRITERS)
def test_a_disk_full_under_an_output(bench: Bench, scratch: Path, words: tuple[str, ...], size: int) -> None:
    bench.vcd.write_text(dump(wrong_lane=2))
    out = bench.folder / "out.file"
    out.write_text("old\n")
    before = sorted(bench.folder.iterdir())
    with full_after(size):
        status, answer, err = bench.call(*(str(out) if word == "OUT" else word for word in words))
    assert status == 2 and "out.file" in said(err)
    assert bool(answer) == (words[0] in ("check", "demo"))  # the answer is not lost with the file
    assert "File too large" in err
    assert out.read_text() == "old\n"
    assert sorted(bench.folder.iterdir()) == before and not list(scratch.iterdir())


@pytest.mark.parametrize("words", PRINTERS.values(), ids=PRINTERS)
def test_a_disk_full_under_standard_output(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
) -> None:
    with Path("/dev/full").open("w", encoding="utf-8") as full:  # the system's own full disk: every write fails
        monkeypatch.setattr("sys.stdout", full)
        status = main(list(words))
        monkeypatch.undo()
    assert status == 2
    assert "No space left on device" in said(capsys.readouterr().err)


@pytest.mark.parametrize("size", [0, 100, 5000, 12000])
def test_a_disk_full_under_the_cache_of_decoded_captures(bench: Bench, size: int) -> None:
    cache = StoreCache(bench.folder / "cache")
    with full_after(size), pytest.raises(OutputError, match=r"could not be written: File too large"):
        open_session(Request(capture=bench.vcd, board=bench.board), cache=cache)
    assert [path.name for path in (bench.folder / "cache").iterdir()] in ([], ["digests"])
    assert not list((bench.folder / "cache").glob("digests/*"))
    assert open_session(Request(capture=bench.vcd, board=bench.board), cache=cache).result.cycles.total == 128


def test_a_disk_full_under_the_accesses_kept_for_the_diagnosis(
    bench: Bench, scratch: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("busledger.decoder.ledger.log._ROWS_IN_MEMORY", 10)
    monkeypatch.setattr(AccessLog.__init__, "__defaults__", (10,))
    assert bench.check("--quiet")[0] == 0  # kept in a file, and read back from there
    with full_after(1000):
        err = bench.refused("check", *RUN, "--quiet")
    assert "cannot keep the accesses for the diagnosis: File too large" in err and "set TMPDIR" in err
    assert not list(scratch.iterdir())


def test_a_disk_full_between_several_captures(bench: Bench, scratch: Path) -> None:
    """Each is decoded in a process of its own, which hands its accesses over in a file."""
    (bench.folder / "second.vcd").write_text(dump(wrong_lane=1))
    with full_after(1000):
        err = bench.refused("check", "run.vcd", "second.vcd", "--board", "card.toml", "--quiet")
    assert "File too large" in err
    assert not list(scratch.iterdir())


def test_a_disk_full_under_a_note(bench: Bench) -> None:
    notes = NotesFile(notes_path(bench.board, "run.vcd"))
    notes.add(PinnedNote(text="U1 gets warm"))
    with full_after(20), pytest.raises(OutputError, match="The note could not be kept: File too large"):
        notes.add(PinnedNote(text="so does U2"))
    assert [note.text for note in NotesFile(notes.path).notes] == ["U1 gets warm"]
    assert sorted(path.name for path in bench.folder.iterdir()) == ["card.toml", "card.toml.notes.json", "run.vcd"]
