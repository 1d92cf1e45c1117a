"""The spool: every byte of a pipe once, in order, whatever becomes of the process."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest

from busledger.decoder.capture import NOTHING_YET
from busledger.decoder.watching import spool as room
from busledger.decoder.watching.spool import Spool, SpoolReader
from tests.watching.streams import Pipe

CHUNK = 4096


@pytest.fixture(autouse=True)
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "CHUNK", CHUNK)


def take(reader: SpoolReader, most: int) -> bytes:
    """Up to ``most`` bytes, fewer at the end."""
    found, buffer = bytearray(), bytearray(700)
    while len(found) < most:
        with memoryview(buffer) as view:
            got = reader.readinto(view[: most - len(found)])
        if got == 0:
            break
        found += buffer[: max(got, 0)] if got != NOTHING_YET else b""
    return bytes(found)


def test_each_byte_once_over_many_processes(tmp_path: Path) -> None:
    """Left and taken up again, also exactly where a file ends; what is done with goes from the disk."""
    draw = random.Random(7)
    data = draw.randbytes(20 * CHUNK)
    pipe, at, found = Pipe(data, step=1000), 0, b""
    for most in (10, CHUNK - 10, CHUNK, 3 * CHUNK + 5, 5 * CHUNK, 1, len(data)):
        spool = Spool(tmp_path, 4 * CHUNK)
        assert spool.released <= at <= spool.written
        spool.take_from(pipe.descriptor())
        piece = take(SpoolReader(spool, 0, at, "pipe"), most)
        found, at = found + piece, at + len(piece)
        spool.release(at)
        spool.close()
        kept = sorted(int(p.name) for p in tmp_path.iterdir() if p.name.isdigit())
        assert kept and kept[0] + CHUNK > min(at, spool.written - 1) - CHUNK
    pipe.close()
    assert found == data


def test_a_sampler_that_is_ahead_waits_when_the_room_is_full(tmp_path: Path) -> None:
    pipe = Pipe(bytes(100 * CHUNK))
    spool = Spool(tmp_path, 4 * CHUNK)
    spool.take_from(pipe.descriptor())
    reader = SpoolReader(spool, 0, 0, "pipe")
    time.sleep(0.5)
    assert 4 * CHUNK <= spool.written < 100 * CHUNK
    assert len(take(reader, 200 * CHUNK)) == 100 * CHUNK
    spool.close()
    pipe.close()


def test_a_capture_ends_where_the_next_one_begins(tmp_path: Path) -> None:
    pipe = Pipe(b"a" * 5000 + b"b" * 100)
    spool = Spool(tmp_path, 4 * CHUNK)
    spool.take_from(pipe.descriptor())
    while spool.written < 5100:
        time.sleep(0.01)
    spool.mark(5000, "end")
    assert take(SpoolReader(spool, 0, 0, "pipe"), 9999) == b"a" * 5000
    assert take(SpoolReader(spool, 5000, 5000, "pipe"), 9999) == b"b" * 100
    spool.close()
    assert Spool(tmp_path, 4 * CHUNK).marks == [(5000, "end")]
    pipe.close()
