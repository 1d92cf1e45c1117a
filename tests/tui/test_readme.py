"""Every busledger command of README runs as it stands, on a bundled capture."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest

from tui.commands.main import main

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
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("command", COMMANDS)
def test_command_of_readme_runs(bench: Path, capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert main(shlex.split(command)[1:]) in (0, 1)
    out, err = capsys.readouterr()
    assert out != ""
    assert err == ""


def test_readme_has_commands() -> None:
    assert len(COMMANDS) >= 4


def test_readme_names_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--help"])
    listed = capsys.readouterr().out.split("Commands:")[1].split("Start with")[0]
    names = re.findall(r"^  ([a-z]+) ", listed, re.MULTILINE)
    assert [name for name in names if f"`busledger {name}" not in README] == []
