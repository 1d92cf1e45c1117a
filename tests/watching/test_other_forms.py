"""Tables, packed captures and redirected files: what people pipe into a watch beside a plain dump."""

from __future__ import annotations

import bz2
import gzip
import json
import lzma
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import zstandard

from busledger.decoder.capture import NOTHING_YET, LiveCapture, LivePlace, live, open_capture
from busledger.decoder.errors import CaptureError
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, run_check
from busledger.decoder.watching import Rules, sources
from busledger.decoder.watching.passing import as_unpacked
from busledger.tui.commands.main import main
from tests.watching.streams import Pipe, Told, board_in, header, periods, stream, watch

BURSTS = {0: 2, 1: 3}


def table_of(path: Path) -> bytes:
    """The capture ``path`` as a table of samples."""
    with open_capture(path) as file:
        names = [signal.name for signal in file.header.signals]
        levels = file.read(range(len(names)))
        micro = (levels.time * (file.header.tick_fs * 1e-9)).tolist()
    lines = ["time_us," + ",".join(names)]
    for time, word, unknown in zip(micro, levels.levels[:, 0].tolist(), levels.unknown[:, 0].tolist(), strict=True):
        bits = ("x" if unknown >> k & 1 else str(word >> k & 1) for k in range(len(names)))
        lines.append(f"{time:.3f},{','.join(bits)}")
    return "\n".join([*lines, ""]).encode()


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("forms")
    board_in(folder)
    (folder / "run.vcd").write_bytes(stream(2, BURSTS))
    (folder / "run.csv").write_bytes(table_of(folder / "run.vcd"))
    (folder / "long.vcd").write_bytes(stream(3, {0: 2, 2: 3}))
    (folder / "long.csv").write_bytes(table_of(folder / "long.vcd"))
    return folder


def same(result: CheckResult, checked: CheckResult) -> bool:
    """Whether both say the same of the card."""
    return all(
        getattr(result, name) == getattr(checked, name) for name in ("suspects", "mismatch_total", "regions", "cycles")
    )


PACKINGS: dict[str, Callable[[bytes], bytes]] = {
    "gzip": lambda data: gzip.compress(data, 1, mtime=0),
    "bzip2": lambda data: bz2.compress(data, 1),
    "xz": lambda data: lzma.compress(data, preset=0),
    "zstd": lambda data: zstandard.ZstdCompressor(level=1).compress(data),
}


@pytest.mark.parametrize("packing", list(PACKINGS))
def test_a_packed_capture_through_a_pipe(place: Path, tmp_path: Path, packing: str) -> None:
    """``watch - < x.vcd.gz`` and ``cat x.vcd.gz | watch -`` are what people type."""
    data = (place / "run.vcd").read_bytes()
    pipe, told = Pipe(PACKINGS[packing](data)), Told()
    result = watch("-", place / "card.toml", tmp_path / "out", told, stdin=pipe.reader())
    pipe.close()
    assert same(result, run_check(Request(place / "run.vcd", board=place / "card.toml")))
    assert len(told.of("failure")) == 5


def test_a_table_through_a_pipe(place: Path, tmp_path: Path) -> None:
    pipe, told = Pipe((place / "run.csv").read_bytes()), Told()
    result = watch("-", place / "card.toml", tmp_path / "out", told, stdin=pipe.reader())
    pipe.close()
    assert same(result, run_check(Request(place / "run.csv", board=place / "card.toml")))
    assert len(told.of("failure")) == 5


@pytest.mark.parametrize("name", ["run.csv", "run.csv.gz", "run.vcd.gz"])
def test_half_of_it_and_then_the_rest(place: Path, tmp_path: Path, name: str) -> None:
    """The watch ends in the middle and goes on with the same pipe: each wrong read once, and the whole answer."""
    data = (place / f"long.{name[4:7]}").read_bytes()
    pipe = Pipe(gzip.compress(data, 1, mtime=0) if name.endswith("gz") else data)
    told, out = Told(), tmp_path / "out"
    with pytest.MonkeyPatch.context() as changed:
        changed.setattr(live, "piece_size", lambda reader: 1 << 18)
        first = watch("-", place / "card.toml", out, told, stdin=pipe.reader(), rules=Rules(failures=1), save_s=0.0)
    assert first.watch.failures < 5
    second = watch("-", place / "card.toml", out, told, stdin=pipe.reader(), resume=True)
    pipe.close()
    assert same(second, run_check(Request(place / f"long.{name[4:7]}", board=place / "card.toml")))
    assert [line["n"] for line in told.of("failure")] == [1, 2, 3, 4, 5]


def test_a_table_that_goes_on_in_another_pipe(place: Path, tmp_path: Path) -> None:
    """Lines are lost with the old pipe: the same table goes on at the next line, stale; with a header row it is new."""
    data = (place / "run.csv").read_bytes()
    told, out = Told(), tmp_path / "out"
    half = len(data) // 2
    for part in (data[:half], data[half + 5_000 :], data):
        pipe = Pipe(part)
        result = watch("-", place / "card.toml", out, told, stdin=pipe.reader(), resume=part != data[:half])
        pipe.close()
    assert told.events.count("lost") == 1
    assert (result.watch.captures, result.watch.refused) == (3, 0)
    assert result.mismatch_total == len(told.of("failure")) >= 9


def test_what_was_packed_and_has_gone_cannot_go_on(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A packed stream too long to be held: it is told while it runs, and the answer so far stays."""
    from busledger.decoder.watching import spool

    monkeypatch.setattr(spool, "CHUNK", 1 << 16)
    data = gzip.compress(stream(6, {0: 2, 5: 3}), 1, mtime=0)
    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 18)
    pipe, told, out = Pipe(data), Told(), tmp_path / "out"
    asked: dict[str, Any] = {"stdin": pipe.reader(), "save_s": 0.0, "spool_room": 1 << 17}
    first = watch("-", place / "card.toml", out, told, rules=Rules(failures=3), **asked)
    again = watch("-", place / "card.toml", out, told, resume=True, **{**asked, "stdin": pipe.reader()})
    pipe.close()
    assert "packed-long" in told.events
    assert "cannot be read: its beginning" in again.watch.ended
    assert again.mismatch_total == first.mismatch_total >= 3


@pytest.mark.parametrize("packed", [False, True])
def test_a_redirected_file_goes_on_and_is_not_told_twice(place: Path, tmp_path: Path, packed: bool) -> None:
    """The shell opens the file anew for ``--resume``: it is the same one, and goes on where it was."""
    path = tmp_path / "run"
    data = stream(3, {0: 2, 2: 3})
    path.write_bytes(gzip.compress(data, 1, mtime=0) if packed else data)
    told, out = Told(), tmp_path / "out"
    with pytest.MonkeyPatch.context() as changed, path.open("rb") as stdin:
        changed.setattr(live, "piece_size", lambda reader: 1 << 18)
        watch("-", place / "card.toml", out, told, stdin=stdin, rules=Rules(failures=1), save_s=0.0)
    for _ in range(2):
        with path.open("rb") as stdin:
            result = watch("-", place / "card.toml", out, told, stdin=stdin, resume=True)
    assert [line["n"] for line in told.of("failure")] == [1, 2, 3, 4, 5]
    assert (result.watch.captures, result.mismatch_total, result.watch.ended) == (1, 5, "the source has ended")
    path.write_bytes(header(3) + b"".join(periods(1, {3: 1}, 3)))
    with path.open("rb") as stdin:
        other = watch("-", place / "card.toml", out, told, stdin=stdin, resume=True)
    assert (other.watch.captures, other.mismatch_total) == (2, 6)


def test_a_packed_file_that_grows(place: Path, tmp_path: Path) -> None:
    path = tmp_path / "run.vcd.gz"
    path.write_bytes(gzip.compress((place / "run.vcd").read_bytes(), 1, mtime=0))
    told = Told()
    result = watch(str(path), place / "card.toml", tmp_path / "out", told, rules=Rules(silent=True), silence_s=0.8)
    assert same(result, run_check(Request(place / "run.vcd", board=place / "card.toml")))
    again = watch(
        str(path), place / "card.toml", tmp_path / "out", told, rules=Rules(silent=True), silence_s=0.8, resume=True
    )
    assert (again.mismatch_total, len(told.of("failure"))) == (5, 5)


def test_captures_of_other_ticks_in_one_folder(place: Path, tmp_path: Path) -> None:
    """One in nanoseconds, then the same bus in picoseconds, then in femtoseconds: all are read, whatever came first."""
    folder = tmp_path / "night"
    folder.mkdir()
    for number, (unit, zeros) in enumerate((("1 ns", b""), ("1 ps", b"000"), ("1 fs", b"000000"))):
        data = (header(number) + b"".join(periods(1, {number: 2}, number))).replace(b"1 ns", unit.encode())
        lines = [line.split(b" ", 1) for line in data.split(b"\n")]
        changed = [[first + zeros if first.startswith(b"#") else first, *rest] for first, *rest in lines]
        (folder / f"run{number}.vcd").write_bytes(b"\n".join(b" ".join(line) for line in changed))
    told = Told()
    result = watch(
        str(folder), place / "card.toml", tmp_path / "out", told, rules=Rules(silent=True), silence_s=1.0, save_s=0.0
    )
    assert (result.watch.captures, result.watch.refused) == (3, 0)
    assert [line["capture"] for line in told.of("failure")] == [f"run{n}.vcd" for n in (0, 0, 1, 1, 2, 2)]
    assert len(told.of("rounded")) == 1
    assert result.capture.duration_s == pytest.approx(3 * 9.2e-3 + 2e-3, rel=0.02)


class Drops:
    """A live source that gives its bytes in drops, with moments in which nothing has come."""

    where = "drops"

    def __init__(self, data: bytes, size: int) -> None:
        self._data, self._size, self._at, self._wait = data, size, 0, False

    def readinto(self, buffer: memoryview) -> int:
        self._wait = not self._wait
        if self._wait:
            return NOTHING_YET
        piece = self._data[self._at : self._at + min(self._size, len(buffer))]
        buffer[: len(piece)] = piece
        self._at += len(piece)
        return len(piece)

    def cut(self) -> bool:
        return False


def test_a_table_can_be_taken_up_after_every_block() -> None:
    """From each place that is given, the rows that follow are those of one reading."""
    lines = [f"{k / 10:.1f},{k // 3 % 2},{k // 2 % 2}" for k in range(9000)]
    data = "\n".join(["# remark", "time_ms,A,B", *lines, ""]).encode()
    whole: list[tuple[int, int]] = []
    places: list[tuple[int, LivePlace]] = []
    capture = LiveCapture(Drops(data, 3000))
    for block in capture.blocks((0, 1)):
        whole += zip(block.time.tolist(), block.levels[:, 0].tolist(), strict=True)
        places.append((len(whole), capture.place()))
    assert len(whole) == 6000 and len(places) > 10
    for count, place in places[:: len(places) // 8] + places[-1:]:
        source = Drops(data[place.offset :], 5000)
        rest = [
            row
            for block in LiveCapture(source, place=place).blocks((0, 1))
            for row in zip(block.time.tolist(), block.levels[:, 0].tolist(), strict=True)
        ]
        assert whole[:count] + rest == whole


def test_packed_bytes_that_are_plain_now() -> None:
    with pytest.raises(CaptureError, match="was packed when the watch began"):
        as_unpacked(Drops(b"$timescale 1 ns $end", 100), 7)
    source, packing = as_unpacked(Drops(b"$t", 1), None)
    buffer = bytearray(9)
    assert (packing, source.readinto(memoryview(buffer)), buffer[:2]) == ("", 2, b"$t")


def test_a_terminal_is_no_source(place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal:
        def fileno(self) -> int:
            return 0

        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sources.sys, "stdin", type("In", (), {"buffer": Terminal()}))
    monkeypatch.setattr(sources.os, "fstat", lambda fd: sources.os.stat("/dev/null"))
    with pytest.raises(Exception, match="terminal"):
        sources.open_watched("-", tmp_path, 1, None, None, None)


def test_the_command_reads_a_redirected_packed_file(
    place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "run.vcd.gz"
    path.write_bytes(gzip.compress((place / "run.vcd").read_bytes(), 1, mtime=0))
    with path.open("rb") as file:
        monkeypatch.setattr("sys.stdin", type("In", (), {"buffer": file, "isatty": lambda self: False})())
        status = main(["watch", "-", "--board", str(place / "card.toml"), "--out", str(tmp_path / "out")])
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert status == 1
    assert sum(line["event"] == "failure" for line in lines) == 5
