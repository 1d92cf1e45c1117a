"""The README's table of buses is the profiles' own: nothing is listed that is not there, nothing left out."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.bus import load_profile, profile_names
from busledger.tui.commands.main import main
from busledger.tui.commands.profiles import profile_table

README = Path(__file__).parents[1] / "README.md"
HEADING = "## Buses"


def test_the_table_is_that_of_the_profiles() -> None:
    section = README.read_text(encoding="utf-8").split(f"\n{HEADING}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    shown = [tuple(cell.strip() for cell in line.strip("|").split(" | ")) for line in lines]
    heads, rows = profile_table([load_profile(name) for name in profile_names()])
    assert shown[0] == heads
    assert set(shown[1]) == {"|".join(["---"] * len(heads))}
    assert [tuple(cell.strip("`") for cell in row) for row in shown[2:]] == rows


def test_the_command_tells_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profiles"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for name, title, family, bits, kinds, checked in profile_table([load_profile(n) for n in profile_names()])[1]:
        assert said.count(f"{name} {family} {bits}") == 1
        assert f"{title}: {kinds}. Checked against {checked}." in said
