"""A watch over pipes, files and folders ends with the answer of ``check`` over all that came."""

from __future__ import annotations

import json
import os
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, run_check
from busledger.decoder.watching import Rules, WatchResult
from tests.watching.streams import Pipe, Told, board_in, header, periods, stream, watch

BURSTS = {1: 4, 2: 2, 5: 6}
COUNT = 6


def plain(result: CheckResult, digits: int = 17, **changed: Any) -> dict[str, Any]:
    """A result without what tells where it came from; 17 ``digits`` are every bit of a number."""
    found = json.loads(result.to_json(), parse_float=lambda text: float(f"{float(text):.{digits}g}"))
    found.pop("watch", None)
    found["capture"].pop("path")
    return {**found, **changed}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("watching")
    board_in(folder)
    (folder / "run.vcd").write_bytes(stream(COUNT, BURSTS))
    return folder


@pytest.fixture(scope="module")
def checked(place: Path) -> CheckResult:
    return run_check(Request(place / "run.vcd", board=place / "card.toml"))


def wanted_failures(checked: CheckResult) -> int:
    assert checked.mismatch_total == sum(BURSTS.values())
    return checked.mismatch_total


def test_a_pipe(place: Path, checked: CheckResult, tmp_path: Path) -> None:
    told = Told()
    pipe = Pipe((place / "run.vcd").read_bytes())
    result = watch("-", place / "card.toml", tmp_path / "out", told, stdin=pipe.reader(), save_s=0.1)
    pipe.close()
    assert plain(result) == plain(checked)
    failures = told.of("failure")
    assert [line["n"] for line in failures] == list(range(1, wanted_failures(checked) + 1))
    assert {(line["region"], *line["lanes"]) for line in failures} == {("bank1", "D2")}
    assert {tuple(line["parts"]) for line in failures} == {("U3",)}
    assert told.events[0] == "started" and told.events[-1] == "ended"
    journal = [json.loads(line) for line in (tmp_path / "out" / "failures.jsonl").read_text().splitlines()]
    assert [line for line in journal if line["event"] == "failure"] == [
        {key: value for key, value in line.items() if key != "first"} for line in failures
    ]
    assert [line.get("first", False) for line in failures] == [True] + [False] * (len(failures) - 1)


def test_a_named_pipe_whose_writer_comes_again(place: Path, tmp_path: Path) -> None:
    """Two captures one after the other; between them anything may have been written."""
    fifo = tmp_path / "bus"
    os.mkfifo(fifo)
    half = COUNT // 2

    def write() -> None:
        for begin in (0, half):
            with fifo.open("wb") as out:
                out.write(header(begin) + b"".join(periods(half, BURSTS, begin)))
            time.sleep(0.5)

    writer = threading.Thread(target=write, daemon=True)
    writer.start()
    told = Told()
    rules = Rules(silent=True)
    result = watch(str(fifo), place / "card.toml", tmp_path / "out", told, rules=rules, silence_s=2.0)
    writer.join()
    assert result.watch.captures == 2
    assert result.mismatch_total == len(told.of("failure")) == sum(BURSTS.values())
    assert result.suspects[0].component == "U3"


def test_a_file_that_grows(place: Path, checked: CheckResult, tmp_path: Path) -> None:
    path = tmp_path / "growing.vcd"
    data = (place / "run.vcd").read_bytes()
    path.write_bytes(data[:100])

    def grow() -> None:
        with path.open("ab", buffering=0) as out:
            for at in range(100, len(data), 777_777):
                out.write(data[at : at + 777_777])
                time.sleep(0.02)

    writer = threading.Thread(target=grow, daemon=True)
    writer.start()
    told = Told()
    rules = Rules(silent=True)
    result = watch(str(path), place / "card.toml", tmp_path / "out", told, rules=rules, silence_s=1.0)
    assert plain(result) == plain(checked)
    assert len(told.of("failure")) == wanted_failures(checked)


def folder_of_captures(folder: Path, parts: int) -> Path:
    """The same bus in captures of their own, each with its own header, ten minutes from one to the next."""
    folder.mkdir()
    each = COUNT // parts
    for part in range(parts):
        path = folder / f"run{part + 1}.vcd"
        path.write_bytes(header(part * each) + b"".join(periods(each, BURSTS, part * each)))
        os.utime(path, (1_000_000 + 600 * part, 1_000_000 + 600 * part))
    return folder


def joined_by_dumpoff(parts: int) -> bytes:
    """The captures of ``folder_of_captures`` as one dump that was switched off for a millisecond between them (IEEE
    1364-2005 18.2.3)."""
    codes = [line.split()[3].decode() for line in header(None).split(b"\n") if line.startswith(b"$var")]
    none = " ".join(f"x{code}" for code in codes)
    made, end = header(None).decode(), 0
    each = COUNT // parts
    for part in range(parts):
        text = b"".join(periods(each, BURSTS, part * each)).decode().splitlines()
        lines = [header(part * each).decode().splitlines()[-1], *text]
        stamps = [int(line.split(maxsplit=1)[0][1:]) for line in lines]
        shift = end + 1 + 10**6 - stamps[0] if part else 0
        if part:
            on = lines[0].split(maxsplit=1)[1]
            made += f"#{end + 1} $dumpoff {none} $end\n#{stamps[0] + shift} $dumpon {on} $end\n"
            stamps, lines = stamps[1:], lines[1:]
        for stamp, line in zip(stamps, lines, strict=True):
            rest = line.split(maxsplit=1)[1:]
            made += f"#{stamp + shift} {rest[0] if rest else ''}\n"
        end = stamps[-1] + shift
    return made.encode()


def test_a_folder_is_one_capture_with_gaps(place: Path, tmp_path: Path) -> None:
    """``check`` of all captures as one dump that was off between them gives the same result."""
    told = Told()
    folder = folder_of_captures(tmp_path / "night", 3)
    rules = Rules(silent=True)
    result = watch(str(folder), place / "card.toml", tmp_path / "out", told, rules=rules, silence_s=1.0)
    (tmp_path / "joined.vcd").write_bytes(joined_by_dumpoff(3))
    joined = run_check(Request(tmp_path / "joined.vcd", board=place / "card.toml"))
    assert plain(result, 14) == plain(joined, 14), "the same, though the clock of a folder counts picoseconds"
    assert [line["capture"] for line in told.of("failure")] == ["run1.vcd"] * 4 + ["run2.vcd"] * 2 + ["run3.vcd"] * 6
    days = [day for _, day in result.watch.days]
    assert [round(b - a) for a, b in pairwise(days)] == [600, 600]


def test_the_page_and_the_json_are_written(place: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from busledger.tui.commands.main import main

    folder = folder_of_captures(tmp_path / "night", 2)
    line = ["watch", str(folder), "--board", str(place / "card.toml"), "--out", str(tmp_path / "out")]
    assert main([*line, "--until", "silent", "--silence", "3s", "--keep", "20us"]) == 1
    told = [json.loads(text) for text in capsys.readouterr().out.splitlines()]
    assert told[-1]["event"] == "result" and told[-1]["status"] == 1
    saved = json.loads((tmp_path / "out" / "result.json").read_text())
    assert saved["schema"] == "busledger.check/1"
    assert saved["watch"]["failures"] == sum(BURSTS.values())
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "time of day" in page and "Wrong reads a minute" in page
    assert main([*line]) == 2
    assert "--resume" in capsys.readouterr().err


def test_a_result_that_was_watched_is_a_result(place: Path, tmp_path: Path) -> None:
    """It reads back as any other, with its story."""
    pipe = Pipe(stream(2, {1: 3}))
    result = watch("-", place / "card.toml", tmp_path / "out", Told(), stdin=pipe.reader())
    pipe.close()
    again = WatchResult.model_validate_json(result.to_json())
    assert again.watch == result.watch
    assert again.mismatch_total == 3
