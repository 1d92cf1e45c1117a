"""``board new``, ``board draw``, ``board schema`` and the shell's completion."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

from busledger.decoder.board import load_board
from busledger.tui.commands.board_form import write_form
from busledger.tui.commands.board_questions import ask_form
from busledger.tui.commands.main import main

OPTIONS = ["--name", 'Gauge "A" card', "--bus", "z80", "--ram", "bank0=4000-43FF", "--ram", "bank1=4400-47FF"]


def answers(monkeypatch: pytest.MonkeyPatch, given: list[str | None]) -> list[str]:
    """Answer the questions in turn, None with what is offered; collects the questions."""
    asked: list[str] = []
    left: Iterator[str | None] = iter(given)

    def prompt(question: str, default: str) -> str:
        asked.append(question)
        answer = next(left)
        return default if answer is None else answer

    monkeypatch.setattr(typer, "prompt", prompt)
    return asked


def test_file_from_options_is_a_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "card.toml"
    chips = ["--part", "2114", "--designators", "U1,U2,U3,U4", "--rom", "monitor=0-7FF"]
    assert main(["board", "new", str(file), *OPTIONS, *chips]) == 0
    board = load_board(file)
    assert board.name == 'Gauge "A" card'
    assert [(r.name, r.start, r.end, [c.designator for c in r.chips]) for r in board.regions] == [
        ("bank0", 0x4000, 0x43FF, ["U1", "U2"]),
        ("bank1", 0x4400, 0x47FF, ["U3", "U4"]),
        ("monitor", 0, 0x7FF, []),
    ]
    capsys.readouterr()
    assert main(["board", "draw", str(file)]) == 0
    assert "┌ U4 " in capsys.readouterr().out


def test_file_that_is_there_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "card.toml"
    file.write_text("mine")
    assert main(["board", "new", str(file), *OPTIONS]) == 2
    assert "there already" in capsys.readouterr().err
    assert file.read_text() == "mine"
    assert main(["board", "new", str(file), *OPTIONS, "--force"]) == 0
    assert "[[region]]" in file.read_text()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--part", "2114", "--designators", "U1,U2,U3"], "4: 2 for each of 2 RAM regions"),
        (["--designators", "U1"], "without --part"),
        (["--part", "74LS138", "--designators", "U1"], "no memory part"),
        (["--part", "2l14", "--designators", "U1"], "unknown part"),
        (["--ram", "bank2=4000"], "is not a region"),
        (["--ram", "bank2=4200-47FF"], "overlap"),
    ],
)
def test_options_that_do_not_fit_write_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    file = tmp_path / "card.toml"
    assert main(["board", "new", str(file), *OPTIONS, *more]) == 2
    err = capsys.readouterr().err
    assert said in err
    assert "/tmp" not in err.replace(str(tmp_path), "")
    assert list(tmp_path.iterdir()) == []


def test_without_a_terminal_nothing_is_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["board", "new", str(tmp_path / "card.toml")]) == 2
    assert "no terminal" in capsys.readouterr().err


def test_offered_answers_make_a_card(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = answers(monkeypatch, ["Tide card", "z80", "2", "2114", None, None, None, None, "no", None, None])
    form = ask_form()
    assert [(r.name, r.start, r.end, [c[0] for c in r.chips]) for r in form.regions] == [
        ("bank0", 0x4000, 0x43FF, ["U1", "U2"]),
        ("bank1", 0x4400, 0x47FF, ["U3", "U4"]),
    ]
    assert len(asked) == 11


def test_questions_are_asked_again_until_they_fit(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    given = ["", "Card", "z81", "z80", "many", "1", "6116", "zz", "8000", "7000", None, "U1 U2", "IC7", "maybe", "yes"]
    asked = answers(monkeypatch, [*given, "monitor", "rom", "0", "3FF", "no", None, None])
    form = ask_form()
    assert [(r.name, r.kind, r.start, r.end, [c[0] for c in r.chips]) for r in form.regions] == [
        ("bank0", "ram", 0x8000, 0x87FF, ["IC7"]),
        ("monitor", "rom", 0, 0x3FF, []),
    ]
    out = " ".join(capsys.readouterr().out.split())
    assert len(asked) == 22
    for said in ("a name is needed", "z80", "no count of banks", "not an address", "lies before", "neither yes nor no"):
        assert said in out


def test_selects_decoder_and_driver_are_asked_for(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A card whose decoder and driver can be suspected by name, in fourteen short answers."""
    card = ["Tide card", "z80", "2", "2114", None, None, None, None, "no"]
    support = ["CS0 CS1", "U9=74LS245", "U9=74LS138", "A=A10 B=A11 G2A=MREQ", None, "U10=74LS138", "U10=74LS245", None]
    asked = answers(monkeypatch, [*card, *support])
    file = tmp_path / "card.toml"
    write_form(ask_form(), file)
    board = load_board(file)
    assert [region.select for region in board.regions] == ["CS0", "CS1"]
    (decoder,), (driver,) = board.decoders, board.buffers
    assert (decoder.designator, dict(decoder.outputs)) == ("U9", {"Y0": "CS0", "Y1": "CS1"})
    assert dict(decoder.inputs) == {"A": "A10", "B": "A11", "G2A": "MREQ"}
    assert (driver.designator, driver.lanes) == ("U10", tuple(range(8)))
    assert driver.direction is not None and (driver.direction.line, driver.direction.level) == ("RD", 0)
    assert len(asked) == 17


def test_a_recording_begins_a_board_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The tide gauge's own board file says what lies where: the recording shows it, its selects too."""
    file, demo = tmp_path / "seen.toml", Path(__file__).parents[2] / "captures_demo" / "tide_gauge"
    assert main(["board", "new", str(file), "--from", str(demo / "capture.vcd.xz"), "--bus", "z80"]) == 0
    seen, real = load_board(file), load_board(demo / "board.toml")
    assert [(r.start, r.end, r.kind, r.select) for r in seen.regions] == [
        (r.start, r.end, r.kind, r.select) for r in real.regions
    ]
    capsys.readouterr()
    assert main(["check", str(demo / "capture.vcd.xz"), "--board", str(file)]) == 1
    assert "D6" in capsys.readouterr().out.splitlines()[0]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--from", "run.vcd"], "--from was given without --bus"),
        (["--from", "run.vcd", "--bus", "z80", "--ram", "a=0-FF"], "--from and a region or part were both given"),
        (["--wiring", "w.toml"], "--wiring and --rate belong to --from"),
    ],
)
def test_what_does_not_go_with_a_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], more: list[str], said: str
) -> None:
    assert main(["board", "new", str(tmp_path / "x.toml"), *more]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_schema_is_json(capsys: pytest.CaptureFixture[str]) -> None:
    for extra, title in ([], "busledger board file"), (["--profile"], "busledger bus profile"):
        assert main(["board", "schema", *extra]) == 0
        assert json.loads(capsys.readouterr().out)["title"] == title


@pytest.mark.parametrize(
    ("words", "number", "expected"),
    [
        ("busledger che", 1, ["check"]),
        ("busledger check x.vcd --pro", 3, ["--profile"]),
        ("busledger check x.vcd --profile 680", 4, ["6800"]),
        ("busledger parts 74ls13", 2, ["74ls138", "74ls139"]),
        ("busledger demo lo", 2, ["loom"]),
    ],
)
def test_shell_completion(words: str, number: int, expected: list[str]) -> None:
    environment = {**os.environ, "_BUSLEDGER_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(number)}
    program = "import sys; from busledger.tui.commands.main import main; sys.exit(main())"
    run = subprocess.run([sys.executable, "-c", program], env=environment, capture_output=True, text=True, check=False)
    assert run.stderr == ""
    assert set(expected) <= set(run.stdout.split())
    assert all(name.casefold().startswith(words.split()[-1].casefold()) for name in run.stdout.split())
