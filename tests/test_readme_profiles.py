"""The README's table of buses is the profiles' own: nothing is listed that is not there, nothing left out."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.bus import load_profile, profile_names
from busledger.tui.commands.main import main
from busledger.tui.commands.profiles import MEMORY_NOTE, profile_table
from tests.shared_captures import FOLDER, FOREIGN

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


def test_what_is_from_memory_is_said_once_and_marked_in_the_rows() -> None:
    section = README.read_text(encoding="utf-8").split(f"\n{HEADING}\n")[1].split("\n## ")[0]
    assert section.count("from memory") == section.count(MEMORY_NOTE) == 1
    marked = {line.split("`")[1] for line in section.splitlines() if line.startswith("| `") and "†" in line}
    assert marked == {name for name in profile_names() if "from memory" in load_profile(name).file.checked}


def test_the_command_tells_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["profiles"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    for name, title, family, bits, kinds, checked in profile_table([load_profile(n) for n in profile_names()])[1]:
        assert said.count(f"{name} {family} {bits}") == 1
        assert f"{title}: {kinds}. Checked against {checked}." in said


# Buses whose diagrams no one here had before him while drawing them: read off the tests' own docstrings and the
# profiles' sources. What is checked against a memory proves that two recollections agree, no more.
REMEMBERED = {
    "1802", "2650", "6502", "65c816", "6800", "6801", "6802", "6809", "6809e", "8048", "8051", "8080-8228", "8085",
    "8088-min", "dram", "ieee696", "ns32016", "scmp", "std", "tms9900", "z8000",
}  # fmt: skip
CORES = {"6502", "z80", "8085", "8048", "65c816"}


@pytest.mark.parametrize("name", profile_names())
def test_checked_against_says_where_it_is_from_memory(name: str) -> None:
    checked = load_profile(name).file.checked
    assert ("from memory" in checked or "as remembered" in checked) == (name in REMEMBERED)
    assert ("core in an HDL simulator" in checked) == (name in CORES)


def test_the_cores_are_those_that_tests_run_over() -> None:
    """The folders of independent cores' runs, where they are there, name their bus first."""
    folders = {path.name for where in (FOLDER, FOREIGN) if where.is_dir() for path in where.iterdir() if path.is_dir()}
    assert not folders or {name.split("-")[0] for name in folders} == CORES
