"""The signals around failures: readable by every command, bounded in number and bytes, the same after a restart."""

from __future__ import annotations

import gzip
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from busledger.decoder.bus import Cycles
from busledger.decoder.capture import Capture, open_capture
from busledger.decoder.ledger import Compared, Verdict
from busledger.decoder.pipeline import Decoded
from busledger.decoder.watching.failures import Failure
from busledger.decoder.watching.keeping import Keeper, dump_of
from busledger.tui.commands.main import main
from tests.watching.streams import Pipe, Told, board_in, stream, watch

NAMES = ("/WR", "A[3]", "D0")
SPAN = 100


def rows_of(time: list[int], levels: list[int], unknown: list[int] | None = None) -> Capture:
    lost = unknown if unknown is not None else [0] * len(time)
    return Capture(
        np.array(time, np.int64), np.array(levels, np.uint64)[:, None], np.array(lost, np.uint64)[:, None], 10**6
    )


def failure(number: int, tick: int, address: int = 0x4123) -> Failure:
    return Failure(number, tick, tick * 1e-9, 0.0, "run", "bank0", address, 4, 1, 3, 2, ("D1",), ("U1",))


def fail(keeper: Keeper, ticks: list[int]) -> list[str | None]:
    """Failures at ``ticks``, levels that move all the while."""
    names = []
    for number, tick in enumerate(ticks, 1):
        keeper.feed(rows_of(list(range(tick - 40, tick + 41, 10)), [k % 8 for k in range(9)]))
        names.append(keeper.failed(failure(number, tick), 0, "told"))
        keeper.feed(rows_of(list(range(tick + 50, tick + 201, 10)), [k % 8 for k in range(16)]))
        keeper.settle()
    return names


def test_a_dump_reads_back_as_it_was(tmp_path: Path) -> None:
    rows = rows_of([100, 150, 230], [5, 4, 6], [0, 2, 0])
    (tmp_path / "kept.vcd").write_bytes(dump_of(rows, NAMES, 10**6, 120, ["bank0 4123 $end of it"]))
    with open_capture(tmp_path / "kept.vcd") as file:
        assert [signal.name for signal in file.header.signals] == list(NAMES)
        found = file.read(range(3))
    assert found.time.tolist() == [0, 30, 110]
    assert found.levels[:, 0].tolist() == [5, 4, 6]
    assert found.unknown[:, 0].tolist() == [0, 2, 0]


def test_the_first_the_latest_and_a_sample_of_the_rest(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)
    names = fail(keeper, [10_000 * k for k in range(1, 121)])
    numbers = [int(name[8:14]) for name in keeper.files]
    assert names[0] == "failure-000001.vcd.gz"
    assert numbers[:8] == list(range(1, 9))
    assert numbers[-8:] == list(range(113, 121))
    assert len(numbers) == 32
    sample = numbers[8:-8]
    assert sample != list(range(9, 25)), "not simply the next ones"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(keeper.files)


def test_the_sample_is_fair(tmp_path: Path) -> None:
    """Of 104 windows in the middle sixteen stay, from all of the night alike."""
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)
    fail(keeper, [10_000 * k for k in range(1, 401)])
    sample = [int(name[8:14]) for name in keeper.files][8:-8]
    assert 120 < np.mean(sample) < 280


def test_never_more_bytes_than_asked_for(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1500)
    fail(keeper, [10_000 * k for k in range(1, 60)])
    assert sum(p.stat().st_size for p in tmp_path.iterdir()) <= 1500
    numbers = [int(name[8:14]) for name in keeper.files]
    assert 1 in numbers and 59 in numbers


def test_one_window_for_what_lies_in_it(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)
    keeper.feed(rows_of(list(range(0, 400, 10)), [k % 8 for k in range(40)]))
    first = keeper.failed(failure(1, 100), 0, "the first")
    assert keeper.failed(failure(2, 110), 0, "the second") == first
    assert keeper.failed(failure(3, 190), 0, "another") != first
    keeper.settle()
    text = gzip.decompress((tmp_path / "failure-000001.vcd.gz").read_bytes()).decode()
    assert "the first" in text and "the second" in text
    assert "#50\n" in text and "another" not in text


def test_many_at_once_are_not_all_kept(tmp_path: Path) -> None:
    """A dead chip fails in every read: past the first few, windows come fifty of their lengths apart."""
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)
    names = fail(keeper, [1000 * k for k in range(1, 101)])
    assert None not in names[:8]
    assert sum(name is not None for name in names[8:]) == pytest.approx(92_000 / (50 * SPAN), abs=2)


def decoded(ticks: list[int], address: int, verdict: Verdict) -> Decoded:
    cycles, compared = Cycles.empty(len(ticks)), Compared.empty(len(ticks))
    cycles.time[:], cycles.address[:], cycles.region[:] = ticks, address, 0
    compared.verdict[:] = verdict
    return Decoded(rows_of(ticks, [0] * len(ticks)), cycles, compared, [])


def test_right_reads_of_the_same_cell(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)
    keeper.feed(rows_of(list(range(0, 3000, 10)), [k % 8 for k in range(300)]))
    keeper.look(decoded([500], 0x4123, Verdict.AGREES))
    keeper.failed(failure(1, 1000), 0, "told")
    for ticks, address, verdict in (
        ([1500], 0x4124, Verdict.AGREES),
        ([1600], 0x4123, Verdict.WRITE),
        ([1700, 1710], 0x4123, Verdict.AGREES),
        ([2000], 0x4123, Verdict.AGREES),
        ([2500], 0x4123, Verdict.AGREES),
    ):
        keeper.look(decoded(ticks, address, verdict))
    keeper.settle(ended=True)
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["failure-000001.vcd.gz", "right-000001-4123.vcd.gz", "right-000002-4123.vcd.gz"]


def test_a_full_disk_keeps_less_and_tells_nothing_wrong(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper = Keeper(tmp_path, NAMES, 10**6, SPAN, 1 << 20)

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    fail(keeper, [10_000, 20_000])
    assert (keeper.lost, keeper.files) == (2, ())
    monkeypatch.undo()
    fail(keeper, [30_000])
    assert keeper.files == ("failure-000003.vcd.gz",)


def test_every_command_reads_what_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    board = board_in(tmp_path)
    pipe = Pipe(stream(3, {1: 2, 2: 1}))
    told = Told()
    result = watch("-", board, tmp_path / "out", told, stdin=pipe.reader(), keep_fs=4 * 10**10)
    pipe.close()
    kept = [line["kept"] for line in told.of("failure")]
    assert all(name in result.watch.kept for name in kept)
    assert any(name.startswith("right-") for name in result.watch.kept)
    path = str(tmp_path / "out" / "kept" / str(kept[0]))
    address = told.of("failure")[0]["address"]
    assert main(["cycles", path, "--board", str(board), "--jsonl", "-"]) == 0
    cycles = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert 30 < len(cycles) < 50, "40 us of a 1 MHz bus"
    assert any(cycle["address"] == int(address, 16) for cycle in cycles)
    for command in ("check", "timing", "selects", "buffers", "probes"):
        assert main([command, path, "--board", str(board), "--json"]) in (0, 1, 3)
        assert json.loads(capsys.readouterr().out)
