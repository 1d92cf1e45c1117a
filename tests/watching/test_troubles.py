"""Everything that may happen to a watch in a night, and what it does about it."""

from __future__ import annotations

import errno
import gzip
import os
import shutil
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from busledger.decoder.errors import BusledgerError, CaptureError, OutputError
from busledger.decoder.watching import DayClock, Rules, spool, watcher
from busledger.decoder.watching.journal import Journal
from busledger.decoder.watching.pacing import Pace
from tests.watching.streams import Pipe, Told, board_in, header, periods, stream, watch

SILENT = Rules(silent=True)


@pytest.fixture
def board(tmp_path: Path) -> Path:
    return board_in(tmp_path)


@pytest.fixture(scope="module")
def short() -> bytes:
    """Two periods, three wrong reads in the second."""
    return stream(2, {1: 3})


# -- the source ---------------------------------------------------------------
def test_a_file_that_goes_is_read_to_its_end(board: Path, tmp_path: Path, short: bytes) -> None:
    path = tmp_path / "run.vcd"
    path.write_bytes(short)
    told = Told(failure=path.unlink)
    result = watch(str(path), board, tmp_path / "out", told)
    assert result.watch.ended == "the source is gone"
    assert result.mismatch_total == len(told.of("failure")) == 3


def test_a_file_that_is_replaced_begins_again(board: Path, tmp_path: Path, short: bytes) -> None:
    path, other = tmp_path / "run.vcd", tmp_path / "other.vcd"
    path.write_bytes(short)
    other.write_bytes(short)
    told = Told(failure=lambda: other.replace(path))
    result = watch(str(path), board, tmp_path / "out", told, rules=SILENT, silence_s=2.0)
    assert "source-replaced" in told.events
    assert result.watch.captures == 2
    assert result.mismatch_total == len(told.of("failure")) == 6


def test_a_folder_that_goes(board: Path, tmp_path: Path, short: bytes) -> None:
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "run.vcd").write_bytes(short)
    told = Told(failure=lambda: shutil.rmtree(folder))
    result = watch(str(folder), board, tmp_path / "out", told)
    assert (result.watch.ended, result.mismatch_total) == ("the source is gone", 3)


def test_nothing_comes_at_all(board: Path, tmp_path: Path) -> None:
    fifo = tmp_path / "bus"
    os.mkfifo(fifo)
    told = Told()
    with pytest.raises(CaptureError, match="nothing came"):
        watch(str(fifo), board, tmp_path / "out", told, rules=Rules(for_s=0.6), silence_s=0.3)
    assert "silent" in told.events


def test_silence_is_told_and_so_is_its_end(board: Path, tmp_path: Path) -> None:
    path = tmp_path / "run.vcd"
    path.write_bytes(header() + b"".join(periods(2, {})))

    def more() -> None:
        with path.open("ab") as file:
            file.write(b"".join(periods(1, {2: 1}, 2)))

    told = Told(silent=more)
    result = watch(str(path), board, tmp_path / "out", told, rules=Rules(failures=1), silence_s=0.8)
    assert told.events.index("silent") < told.events.index("heard")
    assert result.watch.ended == "1 wrong reads"


def test_a_source_that_is_not_there(board: Path, tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="cannot be watched"):
        watch(str(tmp_path / "nothing"), board, tmp_path / "out", Told())


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (gzip.compress(b"nothing of the kind\n", mtime=0), "header row is one field"),
        (b"\x1f\x8b\x08\x00 and then nothing that unpacks", "damaged"),
        (b"nothing of the kind\n", "header row is one field"),
    ],
)
def test_what_a_pipe_cannot_carry(board: Path, tmp_path: Path, data: bytes, what: str) -> None:
    told, pipe = Told(), Pipe(data)
    with pytest.raises(BusledgerError):
        watch("-", board, tmp_path / "out", told, stdin=pipe.reader())
    pipe.close()
    assert what in str(told.of("capture-refused"))


# -- captures in a folder -------------------------------------------------------
def test_half_written_twice_and_broken_captures(board: Path, tmp_path: Path, short: bytes) -> None:
    """One is still being copied, one was cut, one is no capture, one comes twice and a third time packed."""
    folder = tmp_path / "night"
    folder.mkdir()
    (folder / "a.vcd").write_bytes(short)
    (folder / "b.vcd").write_bytes(short)
    (folder / "c.vcd.gz").write_bytes(gzip.compress(short, 1))
    (folder / "d.vcd").write_text("the disk was full\n", encoding="utf-8")
    (folder / ".e.vcd").write_bytes(stream(1, {0: 1}))
    (folder / "notes.txt").write_text("nothing\n", encoding="utf-8")
    growing = folder / "f.vcd"
    data = header() + b"".join(periods(2, {0: 2}))
    cut = data[: data.rindex(b" 1", 0, len(data) - 1000) + 2]  # a level without the line that it is of

    def copy() -> None:
        with growing.open("wb", buffering=0) as file:
            for at in range(0, len(cut), 300_000):
                file.write(cut[at : at + 300_000])
                time.sleep(0.15)

    copier = threading.Thread(target=copy, daemon=True)
    copier.start()
    told = Told()
    result = watch(str(folder), board, tmp_path / "out", told, rules=SILENT, silence_s=2.0, settled_s=0.6)
    copier.join()
    assert len(told.of("same-capture")) == 2
    assert [line["capture"] for line in told.of("capture-refused")] == ["d.vcd"]
    assert {line["capture"] for line in told.of("failure")} == {"a.vcd", "f.vcd"}
    assert (result.watch.captures, result.watch.refused) == (2, 1)
    assert [w.code for w in result.capture.warnings].count("truncated") == 1
    assert result.mismatch_total == 5


# -- the disk -----------------------------------------------------------------
def test_a_full_disk_under_the_state(
    board: Path, tmp_path: Path, short: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: Any) -> None:
        raise OutputError("the file could not be written (No space left on device)")

    monkeypatch.setattr(watcher, "save", full)
    told = Told()
    pipe = Pipe(short)
    result = watch("-", board, tmp_path / "out", told, stdin=pipe.reader(), save_s=0.0)
    pipe.close()
    assert result.mismatch_total == len(told.of("failure")) == 3
    assert told.events.count("not-saved") == 1


def test_a_full_disk_under_the_spool(
    board: Path, tmp_path: Path, short: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is in the pipe stays there until there is room."""
    splice, left = os.splice, [6]

    def full(*given: Any) -> int:
        if left[0] and os.lseek(given[1], 0, os.SEEK_CUR) > 100_000:
            left[0] -= 1
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return splice(*given)

    monkeypatch.setattr(os, "splice", full)
    told = Told()
    pipe = Pipe(short)
    result = watch("-", board, tmp_path / "out", told, stdin=pipe.reader())
    pipe.close()
    assert result.mismatch_total == 3
    assert left == [0]
    assert "disk-full" in told.events


def test_a_spool_gives_back_what_is_decoded_by_small_pieces(tmp_path: Path) -> None:
    """On a small disk nothing comes in before something goes."""
    line = spool.Spool(tmp_path, 1 << 28)
    read, write = os.pipe()
    line.take_from(read)
    with os.fdopen(write, "wb") as pipe:
        pipe.write(bytes(3 * spool.CHUNK))
    while not line.ended:
        time.sleep(0.01)
    line.release(2 * spool.CHUNK + 5)
    line.close()
    os.close(read)
    left = [path for path in tmp_path.iterdir() if path.name.isdigit()]
    assert sum(path.stat().st_size for path in left) <= spool.CHUNK <= 8 << 20


def test_a_full_disk_under_the_journal_and_a_line_cut_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    journal = Journal(tmp_path / "told", fresh=True)
    line = {"event": "failure", "tick": 7, "n": 1}
    assert journal.add(line)
    write = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: write(fd, data[:5]))  # the disk takes five bytes more
    assert not journal.add({**line, "tick": 9})
    monkeypatch.undo()
    assert (journal.told, journal.lost) == (7, 1)
    assert journal.add({**line, "tick": 11})
    journal.close()
    with (tmp_path / "told").open("ab") as file:
        file.write(b'{"event":"failure","tick":13')  # killed as it was written
    again = Journal(tmp_path / "told", fresh=False)
    assert again.told == 11
    assert (tmp_path / "told").read_bytes().count(b"\n") == 2
    assert (tmp_path / "told").read_bytes().endswith(b"}\n")
    again.close()


# -- the clock ------------------------------------------------------------------
def test_a_clock_set_back_does_not_turn_the_night_round() -> None:
    wall, steady = [1000.0], [50.0]
    clock = DayClock(0.0, lambda: wall[0], lambda: steady[0])
    wall[0] += 10
    steady[0] += 10
    assert (clock.now(), clock.look()) == (1010.0, None)
    wall[0] -= 3600  # the hour goes back
    steady[0] += 1
    assert clock.look() == pytest.approx(-3601.0)
    assert clock.now() == 1011.0
    assert clock.look() is None, "told once"


def test_a_clock_set_back_before_a_restart() -> None:
    """What was told at 2000 s is not followed by 1000 s."""
    clock = DayClock(2000.0, lambda: 1000.0, lambda: 5.0)
    assert clock.now() == 2000.0
    assert clock.steps == [-1000.0]


# -- too fast -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("decoded", "comes", "wanted"),
    [
        (0.5, 1.0, "behind"),  # a live bus, decoded at half its speed
        (2.0, 1.0, ""),  # full for once, but faster than the bus
        (0.5, 4.0, ""),  # a recording: nothing is lost while it waits
    ],
)
def test_when_blocks_are_left_out(decoded: float, comes: float, wanted: str) -> None:
    """``decoded`` and ``comes``: seconds of bus in a second; a second of bus has 100 bytes here."""
    now, turns = [0.0], []
    pace = Pace(lambda: now[0])
    room = 1000
    for _ in range(60):
        now[0] += 0.5
        taken = int(now[0] * decoded * 100)
        waiting = min(room, max(0, int(now[0] * comes * 100) - taken))
        if decoded > comes:
            waiting = room if now[0] > 20 else 0
        pace.see(now[0] * decoded, taken, waiting)
        turns.append(pace.look(waiting, room))
    assert [turn for turn in turns if turn] == ([wanted] if wanted else [])
    assert pace.bus == pytest.approx(decoded)
    assert pace.dropping == bool(wanted)
    assert pace.look(600, room) == ""
    assert pace.look(400, room) == ("caught-up" if wanted else "")


def test_blocks_left_out_make_stale_never_wrong(board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole blocks are missing here and there; not one right read is called wrong for it, and all is counted."""
    turns = iter([False] * 3 + [True, False, True, True, False] * 40)
    monkeypatch.setattr(watcher.Watch, "_must_drop", lambda self: next(turns))
    from busledger.decoder.capture import live

    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 18)
    pipe = Pipe(stream(6, {}))
    told = Told()
    result = watch("-", board, tmp_path / "out", told, stdin=pipe.reader())
    pipe.close()
    assert result.mismatch_total == 0 and not told.of("failure")
    assert result.watch.dropped_blocks > 3
    assert 0 < result.watch.dropped_s < 6 * 0.0093
    assert sum(region.reads_compared for region in result.regions) > 1000


def test_a_bus_that_is_really_faster_than_the_decoding(
    board: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A sampler that keeps its pace, a machine too slow for it: blocks go, told, and no right read becomes wrong."""
    from busledger.decoder.capture import live
    from busledger.decoder.watching.decoding import Decoding

    decode = Decoding._decode

    def slowly(self: Decoding, block: Any) -> None:
        time.sleep(0.08)
        decode(self, block)

    monkeypatch.setattr(Decoding, "_decode", slowly)
    monkeypatch.setattr(spool, "CHUNK", 1 << 18)
    monkeypatch.setattr(live, "piece_size", lambda reader: 1 << 18)
    read, write = os.pipe()

    def sample() -> None:
        with os.fdopen(write, "wb", buffering=0) as pipe:
            pipe.write(header())
            for period in periods(24, {22: 2}):  # a fifth of a second of bus in a second or more
                for at in range(0, len(period), 1 << 17):
                    pipe.write(period[at : at + (1 << 17)])
                time.sleep(0.05)

    sampler = threading.Thread(target=sample, daemon=True)
    sampler.start()
    told = Told()
    with os.fdopen(read, "rb", buffering=0) as stdin:
        # pieces that are read ahead are a small part of the room
        result = watch("-", board, tmp_path / "out", told, stdin=stdin, spool_room=1 << 22)
    sampler.join()
    assert told.events.index("behind") < told.events.index("caught-up")
    assert result.watch.dropped_blocks and result.watch.dropped_s > 0.0  # how many, is up to the machine
    assert result.mismatch_total == len(told.of("failure")) <= 2
    compared = sum(region.reads_compared for region in result.regions)
    assert 0 < compared < sum(region.reads for region in result.regions) + 1


# -- a pipe that is another one after a restart -----------------------------------
def test_another_pipe_after_a_restart(board: Path, tmp_path: Path) -> None:
    """The rest of a stream through a new pipe, bytes of it lost: the same capture goes on, stale; with a header it
    is a new one."""
    data = header() + b"".join(periods(6, {1: 1, 4: 2}))
    pipe = Pipe(data[: len(data) // 2])
    first = watch("-", board, tmp_path / "out", Told(), stdin=pipe.reader())
    pipe.close()
    assert first.watch.failures == 1
    told = Told()
    pipe = Pipe(data[len(data) // 2 + 5000 :])
    second = watch("-", board, tmp_path / "out", told, stdin=pipe.reader(), resume=True)
    pipe.close()
    assert "lost" in told.events
    assert [line["n"] for line in told.of("failure")] == [2, 3]
    pipe = Pipe(header(6) + b"".join(periods(2, {7: 1}, 6)))
    third = watch("-", board, tmp_path / "out", told, stdin=pipe.reader(), resume=True)
    pipe.close()
    assert (second.mismatch_total, third.mismatch_total) == (3, 4)
    assert third.watch.captures == 3
    assert [line["n"] for line in told.of("failure")] == [2, 3, 4]


def test_the_spool_of_a_watch_that_saved_nothing(board: Path, tmp_path: Path, short: bytes) -> None:
    """Killed before its first save, a watch has taken bytes that are in no pipe any more."""
    folder = tmp_path / "out" / "spool"
    folder.mkdir(parents=True)
    (tmp_path / "out" / "failures.jsonl").write_text("")
    half = len(short) // 2
    (folder / f"{0:016d}").write_bytes(short[:half])
    pipe = Pipe(short[half:])
    reader = pipe.reader()
    told = os.fstat(reader.fileno())
    (folder / "pipe").write_text(f"{told.st_dev}:{told.st_ino}")
    result = watch("-", board, tmp_path / "out", Told(), stdin=reader, resume=True)
    pipe.close()
    assert result.mismatch_total == 3
    assert half < spool.CHUNK
