"""The commands: options in, engine called, report out, exit status."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from busledger.decoder.errors import CaptureError
from busledger.tui.commands.main import main
from busledger.tui.commands.options import parse_rate
from tests.report.results import healthy, hostile, result
from tests.tui.engine import Engine, engine, traffic

__all__ = ["engine"]


def test_check_prints_the_answer_and_tells_by_its_status(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "run.vcd", "--board", "card.toml"]) == 1
    assert capsys.readouterr().out.startswith("U14 or its socket, bank3, D4: ")
    engine.answer = lambda _request: healthy()
    assert main(["check", "run.vcd", "--board", "card.toml"]) == 0
    assert capsys.readouterr().out.startswith("No fault seen")


def test_check_hands_every_option_on(engine: Engine) -> None:
    main(
        [
            "check",
            "run.csv",
            "--profile",
            "z80",
            "--wiring",
            "w.toml",
            "--region",
            "a=0-FF",
            "--region",
            "b=100-1FF",
            "--rate",
            "24M",
            "--grade",
            "4MHz",
            "--from",
            "1.25ms",
            "--to",
            "2s",
            "--quiet",
            "--no-progress",
        ]
    )
    asked = engine.asked[0]
    assert (asked.capture, asked.profile, asked.wiring, asked.grade) == ("run.csv", "z80", Path("w.toml"), "4MHz")
    assert asked.regions == ("a=0-FF", "b=100-1FF")
    assert (asked.rate_hz, asked.t_from, asked.t_to) == (24e6, 1_250_000_000_000, 2 * 10**15)


def test_check_and_retest_hand_on_what_the_bench_has_said(engine: Engine, tmp_path: Path) -> None:
    said = ["--board", "card.toml", "--good", "U1-U8", "--good", "U10", "--bad", "U3", "--replaced", "U12"]
    main(["check", "run.vcd", *said, "--quiet"])
    (tmp_path / "before.json").write_text(result().to_json())
    main(["retest", "run.vcd", "--before", str(tmp_path / "before.json"), *said, "--quiet"])
    assert [(one.good, one.bad, one.replaced) for one in engine.asked] == [(("U1-U8", "U10"), ("U3",), ("U12",))] * 2


def test_check_says_what_became_of_the_parts_of_an_earlier_answer(
    engine: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = tmp_path / "before.json"
    before.write_text(result().to_json())
    engine.answer = lambda _request: healthy()
    assert main(["check", "run.vcd", "--board", "card.toml", "--before", str(before)]) == 0
    assert "Since    U14 is gone" in capsys.readouterr().out
    before.write_text('{"schema": "busledger.retest/1"}')
    assert main(["check", "run.vcd", "--board", "card.toml", "--before", str(before)]) == 2
    assert "this is no result of a check" in capsys.readouterr().err
    before.write_text('{"schema": "busledger.check/1"}')
    assert main(["check", "run.vcd", "--board", "card.toml", "--before", str(before)]) == 2
    assert f"{before}: this result is not whole: it has no 'capture'" in "".join(capsys.readouterr().err.splitlines())
    assert len(engine.asked) == 1  # told before the capture is read
    assert main(["check", "a.vcd", "b.vcd", "--board", "card.toml", "--before", str(before)]) == 2


def test_json_is_alone_on_standard_output(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "run.vcd", "--profile", "z80", "--json"]) == 1
    out, err = capsys.readouterr()
    assert err == ""
    found = json.loads(out)
    assert found["schema"] == "busledger.check/1"
    assert found["mismatch_total"] == 24
    assert found["suspects"][0]["component"] == "U14"


def test_quiet_prints_one_line(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    main(["check", "run.vcd", "--profile", "z80", "--quiet"])
    assert capsys.readouterr().out.count("\n") == 1


def test_hostile_names_reach_no_terminal(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    engine.answer = lambda _request: hostile()
    for extra in ([], ["--quiet"], ["--json"]):
        main(["check", "run.vcd", "--profile", "z80", *extra])
        out = capsys.readouterr().out
        assert "\x1b" not in out
        assert "script" in out


def test_c_locale_gets_ascii(
    engine: Engine, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LANG", "C")
    main(["check", "run.vcd", "--profile", "z80"])
    assert capsys.readouterr().out.isascii()


def test_engine_errors_become_one_message(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    def broken(_request: object) -> None:
        raise CaptureError(
            "the header is cut", where="run\x1b[2J.vcd:12", expected="$enddefinitions", hint="Save it again."
        )

    engine.answer = broken
    assert main(["check", "run.vcd", "--profile", "z80"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "busledger: run\\x1b[2J.vcd:12: the header is cut; expected $enddefinitions. Save it again.\n"


def test_own_mistakes_end_as_a_sentence(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    def broken(_request: object) -> None:
        raise ZeroDivisionError("division by zero")

    engine.answer = broken
    assert main(["check", "run.vcd", "--profile", "z80"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "Traceback" not in err
    assert "please report it" in err


def test_debug_shows_the_whole_way(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_request: object) -> None:
        raise ZeroDivisionError

    engine.answer = broken
    monkeypatch.setenv("BUSLEDGER_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        main(["check", "run.vcd", "--profile", "z80"])


def test_interruption_is_quiet(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted(_request: object) -> None:
        raise KeyboardInterrupt

    engine.answer = interrupted
    assert main(["check", "run.vcd", "--profile", "z80"]) == 130
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "no command was given"),
        (["chek", "run.vcd"], "Did you mean 'check'?"),
        (["check"], "missing argument 'CAPTURE'"),
        (["check", "run.vcd", "--bord", "x"], "Did you mean --board?"),
        (["check", "run.vcd", "--profile", "z80", "--from", "5"], "'5' is not a time"),
        (["check", "run.vcd", "--profile", "z80", "--from", "2ms", "--to", "1ms"], "is empty"),
        (["check", "run.vcd", "--profile", "z80", "--from", "-1ms"], "lies before the capture"),
        (["check", "run.vcd", "--profile", "z80", "--rate", "fast"], "'fast' is not a sample rate"),
        (["cycles", "run.vcd", "extra"], "unexpected extra argument"),
        (["cycles", "run.vcd", "--profile", "z80", "--csv", "a", "--jsonl", "a"], "both go to"),
        (["cycles", "run.vcd", "--profile", "z80", "--csv", "a", "--json"], "one of them"),
        (["cycles", "run.vcd", "--profile", "z80", "--head", "0"], "--head"),
        (["check", "run.vcd", "--profile", "z80", "--html", "-", "--json"], "one of them"),
        (["check", "run.vcd", "--profile", "z80", "--html", "a", "--markdown", "a"], "two different files"),
        (["demo", "lom"], "Did you mean loom?"),
    ],
)
def test_bad_usage_is_one_message(
    engine: Engine, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("busledger: ")
    assert err.count("\n") == 1
    assert said in err


def test_reports_are_written_whole_and_in_place_of_the_text(
    engine: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page, notes = tmp_path / "r.html", tmp_path / "r.md"
    engine.answer = lambda _request: healthy()
    assert (
        main(["check", str(tmp_path / "run.vcd"), "--profile", "z80", "--html", str(page), "--markdown", str(notes)])
        == 0
    )
    assert page.read_text().startswith("<!DOCTYPE html>")
    assert notes.read_text().startswith("# No fault seen")
    assert capsys.readouterr().out.startswith("No fault seen")
    assert main(["check", str(tmp_path / "run.vcd"), "--profile", "z80", "--markdown", "-"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("# No fault seen")
    assert out.count("No fault seen") == 1


def test_page_over_the_capture_is_refused_before_any_work(engine: Engine, tmp_path: Path) -> None:
    capture = tmp_path / "run.vcd"
    capture.write_text("precious")
    assert main(["check", str(capture), "--profile", "z80", "--html", str(capture)]) == 2
    assert capture.read_text() == "precious"
    assert engine.asked == []


@pytest.mark.parametrize(
    "command", [[], ["check"], ["cycles"], ["browse"], ["profiles"], ["parts"], ["demo"], ["join"], ["board", "new"]]
)
def test_help_of_every_command_has_examples(capsys: pytest.CaptureFixture[str], command: list[str]) -> None:
    assert main([*command, "--help"]) == 0
    out = capsys.readouterr().out
    assert "busledger " + " ".join(command) in out
    assert "\b" not in out
    assert "<str>" not in out and "<list" not in out and "<path>" not in out  # words of a programming language


def test_help_starts_without_the_heavy_libraries() -> None:
    heavy = {"numpy", "numba", "scipy", "matplotlib", "textual", "vcdvcd", "pydantic", "jinja2", "rich"}
    program = (
        "import sys; from busledger.tui.commands.main import main; status = main(['--help']); "
        f"loaded = sorted({heavy!r} & set(sys.modules)); print('loaded:', loaded, status)"
    )
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert run.stdout.endswith("loaded: [] 0\n")


def test_cycles_lists_transfers_with_their_own_numbers(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    engine.blocks = [traffic(4), traffic(4)]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--csv", "-"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [int(row["index"]) for row in rows] == [0, 1, 3, 4, 5, 7]
    assert rows[0] == {
        "index": "0", "time_s": "0.000001000", "kind": "read", "address": "4000", "data": "00", "region": "bank0",
        "expected": "00", "mismatch": "00", "flags": "",
    }  # fmt: skip
    main(["cycles", "run.vcd", "--profile", "z80", "--csv", "-", "--all"])
    assert len(capsys.readouterr().out.splitlines()) == 9
    assert engine.closed == 2


def test_cycles_page_marks_wrong_reads(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    engine.blocks = [traffic(400, wrong_every=100)]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--head", "3"]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 4
    assert lines[1].split() == ["0", "0.000001000", "read", "4000", "00", "bank0", "10", "D4"]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--wrong"]) == 1
    assert len(capsys.readouterr().out.splitlines()) == 1 + 4


def test_cycles_json_is_one_document(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    engine.blocks = [traffic(4), traffic(5, wrong_every=4)]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "busledger.cycles/1"
    assert [cycle["index"] for cycle in found["cycles"]] == [0, 1, 3, 4, 5, 7, 8]
    assert found["cycles"][-1]["mismatch"] == 16
    engine.blocks = []
    assert main(["cycles", "run.vcd", "--profile", "z80", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["cycles"] == []


def test_head_limits_the_json_too(engine: Engine, capsys: pytest.CaptureFixture[str]) -> None:
    engine.blocks = [traffic(400, wrong_every=100), traffic(400, wrong_every=100)]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--json", "--wrong", "--head", "5"]) == 1
    assert [cycle["index"] for cycle in json.loads(capsys.readouterr().out)["cycles"]] == [0, 100, 200, 300, 400]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--json", "--wrong"]) == 1
    assert len(json.loads(capsys.readouterr().out)["cycles"]) == 8


def test_cycles_writes_files_whole(engine: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    engine.blocks = [traffic(6)]
    table, lines = tmp_path / "c.csv", tmp_path / "c.jsonl"
    assert main(["cycles", "run.vcd", "--profile", "z80", "--csv", str(table), "--jsonl", str(lines)]) == 0
    assert len(table.read_text().splitlines()) == 5
    assert [json.loads(line)["index"] for line in lines.read_text().splitlines()] == [0, 1, 3, 4]
    assert "4 cycles written" in capsys.readouterr().out.replace("\u00a0", " ")


def test_full_disk_keeps_the_old_list(engine: Engine, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "c.csv"
    table.write_text("old")
    engine.blocks = [traffic(6)]
    assert main(["cycles", "run.vcd", "--profile", "z80", "--csv", "/dev/full"]) == 2
    assert "No space left" in capsys.readouterr().err
    assert main(["cycles", str(table), "--profile", "z80", "--csv", str(table)]) == 2
    assert table.read_text() == "old"


def test_reader_that_leaves_early_hears_no_complaint(tmp_path: Path) -> None:
    program = (
        "import sys; sys.path.insert(0, sys.argv[1]); from busledger.tui.commands import screen; "
        "shown = [screen.show('x' * 70 + '\\n') for _ in range(5000)]; sys.exit(0 if False in shown else 3)"
    )
    run = subprocess.run(
        ["bash", "-c", f'"{sys.executable}" -c "$0" . | head -1; echo "${{PIPESTATUS[0]}}"', program],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stderr == ""
    assert run.stdout.splitlines()[-1] == "0"


@pytest.mark.parametrize(
    ("text", "rate"),
    [("24000000", 24e6), ("24M", 24e6), ("24 MHz", 24e6), ("2.5e3", 2500.0), ("100k", 1e5), ("1G", 1e9)],
)
def test_rates(text: str, rate: float) -> None:
    assert parse_rate(text) == rate
