"""Every busledger command of README runs as it stands, on a bundled capture."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from busledger.tui.commands.main import main

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = sorted(
    {
        line.strip()
        for block in re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
        for line in block.splitlines()
        if line.strip().startswith("busledger ")
    }
    | set(re.findall(r"`(busledger [a-z]+ [a-z0-9]+)`", README))
)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a recording and its board file under the names that README uses."""
    scenario = ROOT / "captures_demo" / "tide_gauge"
    for file in scenario.iterdir():
        shutil.copy(file, tmp_path)
    (tmp_path / "capture.vcd.xz").rename(tmp_path / "run.vcd")
    (tmp_path / "board.toml").rename(tmp_path / "card.toml")
    (tmp_path / "captures").mkdir()
    shutil.copy(tmp_path / "run.vcd", tmp_path / "captures")
    tables = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    (tmp_path / "ram.toml").write_text(next(table for table in tables if "ram.toml" in table), encoding="utf-8")
    listed = re.findall(r"```text\n(.*?)```", README, re.DOTALL)
    (tmp_path / "screen.txt").write_text(next(one for one in listed if "WROTE" in one), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


# What each ends with and prints on a recording whose bank1 has a bad D6, in a chip called U6.
ANSWERS = {
    "busledger board schema": (0, '"title": "busledger board file"'),
    "busledger check run.vcd --profile z80": (1, "D6 of 4000-47FF"),
    "busledger check run.vcd --profile z80 --wiring none --profile sram --wiring ram.toml": (
        1,
        "D0-D7 not compared: both sets take them from the same channels",
    ),
    "busledger check run.vcd --board card.toml": (1, "U6 or its socket, bank1, D6: reads low where high was written"),
    "busledger check run.vcd --board card.toml --html report.html": (1, "U6 or its socket, bank1, D6"),
    "busledger cycles run.vcd --board card.toml --wrong": (1, "4402  2B    bank1   6B        D6"),
    "busledger errors screen.txt --board card.toml --tested 4000-47FF --passes 10": (1, "U6 or its socket, bank1, D6"),
    "busledger exercise --board card.toml --origin 4400 --regions bank0 --out test.s19 --out test.lst": (
        0,
        "March C- over bank0 (4000-43FF), for a Z80: 85 bytes at 4400-4454.",
    ),
    "busledger watch captures/ --board card.toml --out night --until '10 failures'": (1, "U6 or its socket, bank1, D6"),
    "busledger profiles z80": (0, "MREQ   low     must  strobe"),
}


@pytest.mark.parametrize("command", COMMANDS)
def test_command_of_readme_runs(bench: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    status, answer = ANSWERS[command]
    assert main(shlex.split(command)[1:]) == status
    out, err = capsys.readouterr()
    assert answer in " ".join(out.split()) or answer in out
    assert err == ""
    assert (bench / "report.html").exists() == ("--html" in command)


def test_readme_has_commands() -> None:
    assert set(COMMANDS) == set(ANSWERS)


def test_readme_begins_with_two_whole_commands() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", README, re.DOTALL)[:2]
    assert [block.count("\n") for block in blocks] == [1, 1]
    assert blocks[0].endswith("/bin/busledger demo\n")
    assert blocks[1].endswith("-m pytest -n 2\n")


def test_readme_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--help"])
    listed = capsys.readouterr().out.split("Commands:")[1].split("Start with")[0]
    names = re.findall(r"^  ([a-z]+) ", listed, re.MULTILINE)
    assert [name for name in names if f"`busledger {name}" not in README] == []
