"""A slip of the finger is answered with the nearest right word, on one line, with exit status 2; help has examples."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import typer

from busledger.tui.commands.main import app, main
from tests.tui.guide import DEMO, run

BOARD = ("--board", "board.toml")
SLIPS = [
    (["chekc", "capture.vcd.xz"], "Did you mean 'check'?"),
    (["board", "drwa", "board.toml"], "Did you mean 'draw'?"),
    (["check", "capture.vcd.xz", "--bord", "board.toml"], "Did you mean --board?"),
    (["check", "captre.vcd.xz", *BOARD], "Did you mean capture.vcd.xz?"),
    (["check", "capture.vcd.xz", "--board", "bord.toml"], "Did you mean board.toml?"),
    (["check", "nowhere/capture.vcd.xz", *BOARD], "There is no folder nowhere."),
    (["retest", "capture.vcd.xz", *BOARD, "--before", "befor.json"], "Did you mean before.json?"),
    (["check", "capture.vcd.xz", "--profile", "z8o"], "Did you mean z80"),
    (["parts", "6161"], "such as 6116"),
    (["plan", *BOARD, "--channels", "8", "--rate", "24M", "--question", "bnak1"], "bank1"),
    (["demo", "loon"], "Did you mean loom?"),
    (["check", "capture.vcd.xz", "--profile", "6502"], "the line RW is not wired (nearest: "),
    (["check", "capture.vcd.xz"], "expected --board FILE or --profile NAME"),
    (["selects", "capture.vcd.xz"], "expected --board FILE: it says which decoder"),
    (["buffers", "capture.vcd.xz"], "expected --board FILE: it says which drivers"),
    (["board", "new", "new.toml", "--name", "x", "--bus", "z80", "--ram", "a=0-3FF", "--part", "2114"], "U1,U2"),
    (["check", "capture.vcd.xz", *BOARD, "--from", "5"], "such as 1.25ms"),
    (["check", "capture.vcd.xz", *BOARD, "--html", "board.toml"], "written over the input"),
    (["check", "capture.vcd.xz", *BOARD, "--region", "bank0"], "NAME=START-END in hexadecimal"),
]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench") / "tide_gauge"
    shutil.copytree(DEMO / "tide_gauge", folder)
    (folder / "before.json").write_text("{}", encoding="utf-8")
    return folder


@pytest.mark.parametrize(("words", "answer"), SLIPS, ids=lambda value: None if isinstance(value, str) else value[0])
def test_slip_is_answered_with_the_nearest(place: Path, words: list[str], answer: str) -> None:
    status, said = run(words, place)
    assert status == 2
    assert answer in said
    assert said.startswith("busledger: ")
    assert said.count("\n") == 1
    assert not (place / "new.toml").exists()


def _commands() -> list[tuple[str, ...]]:
    root = typer.main.get_command(app)
    found: list[tuple[str, ...]] = []
    for name, command in root.commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found += [(name, other) for other in inner] if inner else [(name,)]
    return found


@pytest.mark.parametrize("words", _commands(), ids=" ".join)
def test_help_says_what_it_does_and_shows_how(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*words, "--help"]) == 0
    said = capsys.readouterr().out
    head = said.partition("\nArguments:" if "\nArguments:" in said else "\nOptions:")[0]
    shown = re.findall(r"^  (?:zcat .* \| )?busledger (.*)$", head, re.MULTILINE)
    assert shown, "no example"
    assert any(line.startswith(" ".join(words)) for line in shown)


def test_demo_gives_a_command_that_can_be_copied(place: Path) -> None:
    _status, said = run(["demo", "planetarium"], place)
    line = said.splitlines()[-1]
    words = line.split()
    assert words[:2] == ["busledger", "check"]
    assert Path(words[2]).is_file()
    assert Path(words[4]).is_file()
