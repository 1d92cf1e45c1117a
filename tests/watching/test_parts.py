"""The smaller rooms of a watch: when it ends, what it tells, how much it keeps for the answer."""

from __future__ import annotations

import json
import os
import time
from contextlib import suppress
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from busledger.decoder.bus import Cycles
from busledger.decoder.capture import Capture
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.ledger import Compared, Verdict
from busledger.decoder.pipeline import Request, run_check
from busledger.decoder.watching import (
    Counts,
    Rules,
    Status,
    Watch,
    WatchRequest,
    line_text,
    parse_long_time,
    parse_until,
)
from busledger.decoder.watching.accesses import KeptAccesses
from busledger.decoder.watching.ending import settled_by
from busledger.decoder.watching.failures import failures_in
from busledger.decoder.watching.row_packing import ROW_BYTES, packed_rows, unpacked_rows
from busledger.decoder.watching.timeline import Timeline
from busledger.tui.commands.main import main
from busledger.tui.commands.watch_lines import Teller, wrapped
from busledger.tui.commands.watch_picture import bars, picture, plot_of
from tests.watching.streams import Pipe, Told, board_in, stream, watch


# -- when it ends -----------------------------------------------------------------
def test_until_and_for() -> None:
    assert parse_until(["10 failures", "settled"], 8 * 3600.0) == Rules(10, True, False, 28800.0)
    assert parse_until(["1 failure", "3", "silent"], None) == Rules(1, False, True, None)
    assert [parse_long_time(t) for t in ("8h", "90 min", "30s", "2d", "1.5h")] == [28800, 5400, 30, 172800, 5400]
    for text in ("never", "0 failures", "-1"):
        with pytest.raises(UsageError, match="no end of a watch"):
            parse_until([text], None)
    for text in ("8", "0s", "h", "8 weeks"):
        with pytest.raises(UsageError, match="how long"):
            parse_long_time(text)


def test_it_ends_at_so_many_failures_and_goes_on(tmp_path: Path) -> None:
    board, out, told = board_in(tmp_path), tmp_path / "out", Told()
    path = tmp_path / "run.vcd"
    path.write_bytes(stream(3, {0: 2, 2: 3}))
    first = watch(str(path), board, out, told, rules=Rules(failures=2))
    assert first.watch.failures >= 2
    second = watch(str(path), board, out, told, rules=Rules(silent=True), silence_s=1.0, resume=True)
    assert [line["n"] for line in told.of("failure")] == [1, 2, 3, 4, 5]
    assert (second.watch.resumed, second.mismatch_total) == (1, 5)


def test_it_can_be_interrupted_with_an_answer_and_goes_on(tmp_path: Path) -> None:
    """As Ctrl-C does it: the block under way is done, all is saved, the answer is given."""
    board, out, told = board_in(tmp_path), tmp_path / "out", Told()
    path = tmp_path / "run.vcd"
    path.write_bytes(stream(3, {0: 2, 2: 3}))
    request = WatchRequest(request=Request(str(path), board=board), out=out, rules=Rules(silent=True), silence_s=1.0)
    first = Watch(request, told)
    first.interrupt()
    with pytest.raises(CaptureError, match="nothing came"):
        first.run()
    second = Watch(replace(request, resume=True), told, lambda status: second.interrupt())
    with suppress(CaptureError):
        assert second.run().watch.ended == "interrupted"
    third = Watch(replace(request, resume=True), told).run()
    assert third.mismatch_total == 5
    fourth = Watch(replace(request, resume=True), told)
    fourth.interrupt()
    assert fourth.run().suspects == third.suspects, "nothing new, and still the answer"
    assert [line["n"] for line in told.of("failure")] == [1, 2, 3, 4, 5]


def test_settled_is_a_sure_part_or_a_proved_repair(tmp_path: Path) -> None:
    board = board_in(tmp_path)
    (tmp_path / "bad.vcd").write_bytes(stream(3, {0: 30, 1: 30, 2: 30}))
    (tmp_path / "good.vcd").write_bytes(stream(3, {}))
    bad = run_check(Request(tmp_path / "bad.vcd", board=board))
    good = run_check(Request(tmp_path / "good.vcd", board=board))
    assert (bad.suspects[0].probability >= 0.95) == bool(settled_by(bad, None))
    sure = bad.model_copy(update={"suspects": (bad.suspects[0].model_copy(update={"probability": 0.97}),)})
    doubtful = bad.model_copy(update={"suspects": (bad.suspects[0].model_copy(update={"probability": 0.9}),)})
    assert "97" in settled_by(sure, None) and settled_by(doubtful, None) == ""
    assert settled_by(good, None) == "", "a clean run settles nothing without what was wrong before"
    before = json.loads(bad.to_json())
    assert settled_by(good, before)
    assert settled_by(bad, before) == ""


# -- what it tells ----------------------------------------------------------------
def block(wrong: int) -> Any:
    from busledger.decoder.pipeline import Decoded

    cycles, compared = Cycles.empty(2 * wrong), Compared.empty(2 * wrong)
    cycles.time[:] = np.arange(2 * wrong) * 1000 + 5_000_000
    cycles.region[:], cycles.address[:], cycles.data[:] = 1, 0x4400 + np.arange(2 * wrong) % 16, 0x35
    compared.verdict[::2] = Verdict.MISMATCH
    compared.expected[:], compared.mismatch[:] = 0x75, 0x40
    none = np.zeros((0, 1), np.uint64)
    return Decoded(Capture(np.zeros(0, np.int64), none, none, 10**6), cycles, compared, [])


def test_a_line_each_and_many_together(tmp_path: Path) -> None:
    from busledger.decoder.board import load_board

    board = load_board(board_in(tmp_path))
    found = list(failures_in(block(100), 7, board, (4, 2), 1e-9, 1_000_000.0, "run.vcd"))
    assert len(found) == 65
    first, rest = found[0].line("U4 93 %", "failure-000001.vcd.gz"), found[-1].line()  # type: ignore[call-arg]
    assert (first["n"], first["address"], first["read"], first["expected"]) == (8, "4400", "35", "75")
    assert (first["lanes"], first["parts"], first["time_s"]) == (["D6"], ["U4"], 0.005)
    assert (rest["n"], rest["count"], rest["regions"]) == (107, 36, ["bank1"])
    text = line_text(first)
    assert text.endswith("+5ms  bank1 4400 read 35, expected 75: D6  (U4 93 %)")
    assert "36 more wrong reads in bank1: D6" in line_text(rest)


def test_a_command_at_the_first_failure_without_a_shell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = tmp_path / "made; touch other"
    line = {"event": "failure", "n": 1, "first": True}
    with Teller(as_json=True, quiet=False, run=f"touch '{made}'") as teller:
        teller.tell(dict(line))
        teller.tell({"event": "failure", "n": 2})
    for _ in range(100):
        if made.exists():
            break
        time.sleep(0.05)
    assert made.exists() and not (tmp_path / "other").exists()
    assert [json.loads(text)["n"] for text in capsys.readouterr().out.splitlines()] == [1, 2]
    for path in Path().glob('{"event"*'):
        path.unlink()


def test_a_command_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    program = tmp_path / "tell-me"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    with Teller(as_json=True, quiet=False, run=str(program)) as teller:
        program.unlink()  # it was there as the watch began
        teller.tell({"event": "failure", "n": 1, "first": True})
    assert "the watch goes on" in capsys.readouterr().err
    for run in ("", "'", "/no/such/program"):
        with pytest.raises(UsageError, match="--run"):
            Teller(as_json=True, quiet=False, run=run)


def test_what_stands_above_the_picture_is_not_torn_inside_a_word() -> None:
    """On 80 columns a sentence goes on under its beginning; a failure stays one line, as whoever searches wants it."""
    text = "U3 or its socket, bank1, D2, cell 44A4: reads low where high was written, 1 in 8, 59 %"
    told = {"event": "verdict", "day": "2026-11-26T16:48:10+00:00", "text": text}
    lines = wrapped(told, 80).splitlines()
    assert len(lines) == 2 and max(map(len, lines)) <= 80
    assert lines[1].startswith(" " * 10) and " ".join(lines[1].split()) in text and lines[0].split()[-1] in text.split()
    assert len(wrapped(told, 120).splitlines()) == 1


def test_the_picture(tmp_path: Path) -> None:
    counts = Counts(failures=12, compared=123_456, bus_s=70.0, bytes=9 << 30, dropped_blocks=3, dropped_s=0.1)
    counts.minutes = {100: [0, 5], 101: [8, 5], 103: [4, 5]}
    status = Status("night.fifo", counts, 7300.0, 1.83, 171.0, 9 << 20, 0.0, False, "U6 reads D6 low", 0.93,
                    "swap U6 with U4", (), 9, 2.0)  # fmt: skip
    console = Console(width=90, record=True, file=open(os.devnull, "w"))  # noqa: SIM115, PTH123
    console.print(picture(status, 90))
    text = console.export_text()
    for wanted in ("1.83 s of bus a second", "3 blocks wait", "compared", "12", "U6 reads D6 low", "swap U6 with U4",
                   "▁", "█", "2 h 01 min", "3 blocks (0.1 s of bus) left out"):  # fmt: skip
        assert wanted in text or wanted == "▁", wanted
    assert all(len(line) <= 90 for line in text.splitlines())


def test_bars_over_the_run() -> None:
    assert bars([0, 1, 8, 4]) == " ▁█▄"
    assert plot_of({5: [0, 9]}, 10) == ("", 0, 1)
    assert plot_of({5: [1, 9], 24: [4, 9]}, 10) == ("▂        █", 2, 2)


# -- what the answer rests on -----------------------------------------------------
def accesses(first: int, wrong: bool) -> tuple[Cycles, Compared]:
    n = 100
    cycles, compared = Cycles.empty(n), Compared.empty(n)
    cycles.region[:], cycles.time[:] = 0, np.arange(first, first + n)
    cycles.address[:] = np.arange(first, first + n) % 37
    compared.index[:] = np.arange(first, first + n)
    compared.verdict[:] = Verdict.AGREES
    compared.writer[:] = first - 150
    compared.known[:] = compared.expected[:] = 0xFF
    if wrong:
        compared.verdict[50] = Verdict.MISMATCH
        compared.mismatch[50] = 1
    return cycles, compared


def test_all_are_kept_while_there_is_room(tmp_path: Path) -> None:
    log = KeptAccesses(tmp_path, 10_000, chapter_rows=200)
    for k in range(10):
        log.append(*accesses(100 * k, False))
    time_seen = np.concatenate([cycles.time for cycles, _ in log.blocks()])
    assert time_seen.tolist() == list(range(1000))
    assert len(log) == log.kept_rows == 1000
    assert all((compared.verdict == Verdict.AGREES).all() for _, compared in log.blocks())


def test_chapters_with_wrong_reads_stay_longest_and_know_only_themselves(tmp_path: Path) -> None:
    log = KeptAccesses(tmp_path, 2000, chapter_rows=200)
    for k in range(100):
        log.append(*accesses(100 * k, wrong=k in (30, 31, 60)))
        log.saved()
    assert len(log) == 10_000 and log.kept_rows <= 2200
    kept = list(log.blocks())
    starts = {int(cycles.time[0]) for cycles, _ in kept}
    assert {0, 3000, 6000, 9900} <= starts
    times = np.concatenate([cycles.time for cycles, _ in kept])
    indices = np.concatenate([compared.index for _, compared in kept])
    assert (np.diff(times) >= 0).all()
    assert len(np.unique(indices)) == len(indices)
    written: dict[int, tuple[int, int, int]] = {}
    bridged = wrong = 0
    for cycles, compared in kept:
        for k in range(len(cycles)):
            if compared.verdict[k] == Verdict.WRITE:
                known = int(~cycles.data_unknown[k]) & 0xFFFFFFFF
                written[int(compared.index[k])] = int(cycles.address[k]), int(cycles.data[k]), known
            elif int(compared.writer[k]) in written:
                read = int(cycles.address[k]), int(compared.expected[k]), int(compared.known[k])
                assert written[int(compared.writer[k])] == read
                bridged += 1
            wrong += int(compared.verdict[k] == Verdict.MISMATCH)
    assert bridged > 500
    assert wrong == 3, "every wrong read is still weighed"


@given(st.integers(1, 50), st.integers(0, 2**32 - 1), st.data())
def test_rows_come_back_from_their_bytes_as_they_were(count: int, seed: int, data: st.DataObject) -> None:
    """Whatever the columns hold: constants, small steps, all of a type's range."""
    draw = np.random.default_rng(seed)
    rows = Cycles.empty(count), Compared.empty(count)
    for columns in rows:
        for field in fields(columns):
            column = getattr(columns, field.name)
            span = np.iinfo(column.dtype)
            reach = data.draw(st.sampled_from([0, 1, 200, 70_000, 2**40, 2**64]))
            low = int(draw.integers(span.min, span.max, endpoint=True, dtype=column.dtype))
            top = min(int(span.max), low + reach)
            column[:] = draw.integers(low, top, size=count, endpoint=True, dtype=column.dtype)
    stored = b"".join(packed_rows(*rows))
    assert len(stored) <= count * ROW_BYTES + 20 * 9
    for before, after in zip(rows, unpacked_rows(stored, count), strict=True):
        for field in fields(before):
            column = getattr(after, field.name)
            assert column.dtype == getattr(before, field.name).dtype
            assert column.tolist() == getattr(before, field.name).tolist()


def test_the_log_goes_on_where_it_was_saved(tmp_path: Path) -> None:
    log = KeptAccesses(tmp_path, 10_000, chapter_rows=200)
    for k in range(3):
        log.append(*accesses(100 * k, False))
    state = log.state()
    for k in range(3, 9):
        log.append(*accesses(100 * k, True))  # lost with the process
    other = KeptAccesses(tmp_path, 10_000, chapter_rows=200)
    other.go_on(state)
    for k in range(3, 6):
        other.append(*accesses(100 * k, False))
    seen = list(other.blocks())
    assert np.concatenate([c.time for c, _ in seen]).tolist() == list(range(600))
    assert all((d.verdict == Verdict.AGREES).all() for _, d in seen)


def test_a_view_reads_on_though_its_chapters_go(tmp_path: Path) -> None:
    """A verdict takes longer than a chapter stays."""
    log = KeptAccesses(tmp_path, 1600, chapter_rows=200)
    for k in range(14):
        log.append(*accesses(100 * k, False))
    view = log.view(log.state())
    for k in range(14, 60):
        log.append(*accesses(100 * k, False))
        log.saved()
    assert np.concatenate([cycles.time for cycles, _ in view.blocks()]).tolist() == list(range(1400))
    view.append(*accesses(1400, True))
    assert sum(len(cycles) for cycles, _ in view.blocks()) == 1500
    view.close()
    assert max(int(cycles.time[-1]) for cycles, _ in log.blocks()) == 5999


def test_an_answer_out_of_what_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Most accesses are gone, and the part is still named; all reads are counted."""
    from busledger.decoder.watching import accesses as room

    monkeypatch.setattr(room, "CHAPTER_ROWS", 1 << 12)
    monkeypatch.setattr(room.KeptAccesses.__init__, "__defaults__", (1 << 12,))
    from busledger.decoder.capture import live

    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 18)
    bursts = {1: 6, 5: 6}
    pipe = Pipe(stream(8, bursts))
    result = watch("-", board_in(tmp_path), tmp_path / "out", Told(), stdin=pipe.reader(), room=30_000 * 90)
    pipe.close()
    assert result.watch.weighed < result.watch.accesses * 0.7
    assert "weighed-part" in [warning.code for warning in result.capture.warnings]
    assert result.mismatch_total == 12
    assert result.suspects[0].component == "U3"


# -- one clock --------------------------------------------------------------------
def rows(times: list[int], tick_fs: int = 10**6) -> Capture:
    none = np.zeros((len(times), 1), np.uint64)
    return Capture(np.array(times, np.int64), none.copy(), none.copy(), tick_fs)


def test_captures_one_behind_the_other() -> None:
    line = Timeline(10**6, np.array([7], np.uint64))
    assert not line.begin_capture(10**6, 5000.0, None)
    assert line.place(rows([100, 200])).time.tolist() == [0, 100]  # the first row is at 0, as in every report
    line.end_capture(250)
    assert not line.begin_capture(10**9, 9000.0, 4)  # a coarser tick, and the time of day of its last stamp
    placed = line.place(rows([1, 3], 10**9))
    start = 151 + 10**6
    assert placed.time.tolist() == [151, start, start + 2000]
    assert placed.unknown[:, 0].tolist() == [7, 0, 0]
    assert [(gap.start, gap.end) for gap in placed.gaps] == [(151, start)]
    assert placed.first_row == 2
    assert line.day0_s + start * 1e-9 == pytest.approx(9000.0 - 3e-6)


def test_a_capture_with_a_finer_tick_is_rounded_and_its_rows_stay_apart() -> None:
    line = Timeline(10**6, np.array([7], np.uint64))
    line.begin_capture(10**6, 0.0, None)
    line.place(rows([0, 500]))
    assert line.begin_capture(10**5, 0.0, None)  # ten of its ticks are one of the first capture's
    fine = rows([70, 78, 79, 85, 101], 10**5)
    fine.levels[:, 0] = [1, 2, 3, 4, 5]
    placed = line.place(fine)
    start = 501 + 10**6
    assert placed.time[1:].tolist() == [start, start + 1, start + 3]  # behind the row that ends the gap
    assert placed.levels[1:, 0].tolist() == [3, 4, 5], "of levels within a tick the last"
    after = line.place(rows([103, 109, 120], 10**5))
    assert after.time.tolist() == [start + 4, start + 5], "rising over the seam of two blocks"
    assert line.end == start + 5
    line.end_capture(125)
    assert line.end == start + 5


def test_a_block_that_is_left_out_leaves_a_gap_of_its_own_length() -> None:
    line = Timeline(10**6, np.array([1], np.uint64))
    line.begin_capture(10**6, 0.0, None)
    line.place(rows([0, 10]))
    assert line.lose(rows([20, 30, 40]), "too fast") == (3, pytest.approx(30e-9))
    placed = line.place(rows([50, 60]))
    assert placed.time.tolist() == [11, 50, 60]
    assert [(gap.start, gap.end) for gap in placed.gaps] == [(11, 50)]


# -- raw samples, and the command's own mistakes ------------------------------------
def test_raw_samples_through_a_pipe(tmp_path: Path) -> None:
    """A sampler's words, held against ``check`` of the same words."""
    from busledger.decoder.capture import RawFormat, open_capture

    (tmp_path / "run.vcd").write_bytes(stream(2, {1: 3}))
    with open_capture(tmp_path / "run.vcd") as file:
        names = tuple(signal.name for signal in file.header.signals)
        levels = file.read(range(len(names)))
    start = int(levels.time[1]) - 500
    at = np.searchsorted(levels.time, start + np.arange(int((levels.time[-1] - start) * 0.024)) / 0.024, side="right")
    (tmp_path / "run.raw").write_bytes(levels.levels[at - 1, 0].astype("<u4").tobytes())
    form = RawFormat(32, 24e6, names)
    board = board_in(tmp_path)
    pipe, told = Pipe((tmp_path / "run.raw").read_bytes()), Told()
    request = Request("-", board=board, raw=form, stdin=pipe.reader())
    result = Watch(WatchRequest(request=request, out=tmp_path / "out", save_s=0.0), told).run()
    pipe.close()
    checked = run_check(Request(tmp_path / "run.raw", board=board, raw=form))
    assert result.mismatch_total == checked.mismatch_total == len(told.of("failure")) == 3
    assert result.suspects == checked.suspects
    assert result.capture.samples == checked.capture.samples


@pytest.mark.parametrize(
    ("options", "what"),
    [
        (["--until", "never"], "no end of a watch"),
        (["--for", "8"], "how long"),
        (["--room", "much"], "--room much"),
        (["--keep", "2"], "not a time"),
        (["--run", "'"], "--run"),
        (["--run", "no-such-program-here --loud"], "no program"),
        (["--resume"], "no watch to go on"),
    ],
)
def test_mistakes_are_said_before_the_watch(
    tmp_path: Path, options: list[str], what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    line = ["watch", str(tmp_path), "--board", str(board_in(tmp_path)), "--out", str(tmp_path / "out")]
    assert main([*line, *options]) == 2
    assert what in capsys.readouterr().err


def test_without_regions_nothing_can_be_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["watch", str(tmp_path), "--profile", "6502", "--out", str(tmp_path / "out")]
    assert main(line) == 2
    assert "--board FILE or --region" in capsys.readouterr().err
