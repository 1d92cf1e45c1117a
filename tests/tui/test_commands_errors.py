"""``busledger errors`` on the command line: what it prints, writes and refuses."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from busledger.tui.commands.main import main

CARD = str(Path(__file__).parents[2] / "captures_demo" / "tide_gauge" / "board.toml")
LIST = "MEMORY TEST\n" + "\n".join(f"ERROR AT {a:04X} WROTE {w:02X} READ {w & 0xBF:02X}" for a in range(0x4400, 0x4800)
                                   for w in (0x40, 0xFF))  # fmt: skip


@pytest.fixture
def listed(tmp_path: Path) -> str:
    path = tmp_path / "screen.txt"
    path.write_text(LIST)
    return str(path)


def test_the_answer_first_then_how_it_was_taken_and_what_it_cannot_tell(
    listed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["errors", listed, "--board", CARD, "--tested", "4000-47FF"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert out.startswith("U6 or its socket, bank1, D6: reads low where high was written")
    assert "2048 listed errors, weighed as 8192 accesses of z80" in out
    assert "2048 errors in 2049 lines, 1 passed over; figures taken as address, wrote, read" in out
    assert "What a list cannot tell" in out
    assert out.endswith("run 'busledger check' on it: that parts what a list cannot.")
    assert "channels" not in out


def test_json_is_the_contract_of_check(listed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["errors", listed, "--board", CARD, "--tested", "4000-47FF", "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert result["schema"] == "busledger.check/1"
    assert result["suspects"][0]["component"] == "U6"
    assert set(result["coverage"]["from_list"]) == {"taken", "cannot_tell"}
    assert "CS1" in result["next_steps"][-1]["clip"]


def test_quiet_is_one_line_and_reports_are_written(
    listed: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    html, markdown = tmp_path / "r.html", tmp_path / "r.md"
    files = ["--html", str(html), "--markdown", str(markdown)]
    assert main(["errors", listed, "--board", CARD, "--tested", "4000-47FF", "--quiet", *files]) == 1
    assert capsys.readouterr().out.count("\n") <= 2
    for report in (html, markdown):
        assert "U6" in report.read_text()
        assert "listed" in report.read_text()


def test_standard_input(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(LIST.encode()), isatty=lambda: False))
    assert main(["errors", "-", "--board", CARD, "--tested", "4000-47FF", "--quiet"]) == 1
    assert "U6" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "no board file was given"),
        (["--board", CARD, "--board", CARD], "--board was given 2 times"),
        (["--board", "no.toml"], "no.toml"),
        (["--board", CARD, "--passes", "0"], "passes"),
        (["--board", CARD, "--tested", "4000"], "cannot read '4000' after --tested"),
        (["--board", CARD, "--tested", "C000-CFFF"], "--tested names no address"),
        (["--board", CARD, "--order", "address,data"], "--order holds 'data'"),
        (["--board", CARD, "--decimal"], "none of its 2"),
        (["--board", CARD, "--json", "--html", "-"], "both go to standard output"),
    ],
)
def test_bad_use_is_one_message(listed: str, capsys: pytest.CaptureFixture[str], options: list[str], said: str) -> None:
    assert main(["errors", listed, *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert err.count("\n") == 1


def test_a_report_does_not_overwrite_the_list(listed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["errors", listed, "--board", CARD, "--html", listed]) == 2
    assert "over the input" in capsys.readouterr().err
    assert Path(listed).read_text() == LIST
