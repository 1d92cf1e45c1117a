"""A capture that is still being written: the same rows as of the finished file, taken up again wherever it was left."""

from __future__ import annotations

import pickle
import random
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.capture import NOTHING_YET, Capture, LiveCapture, LivePlace, RawFormat, open_capture
from tests.benchmarks.bus_traffic import LINES, write_capture

RAW = RawFormat(16, 24e6, tuple(f"CH{k}" for k in range(16)))


class Trickle:
    """``data`` from byte ``at``, in pieces of at most ``most`` bytes, with nothing at all now and then."""

    where = "a pipe"

    def __init__(self, data: bytes, most: int, at: int = 0, pauses: float = 0.3) -> None:
        self._data, self._most, self._at, self._pauses = data, most, at, pauses
        self._draw = random.Random(most)

    def readinto(self, buffer: memoryview) -> int:
        if self._at < len(self._data) and self._draw.random() < self._pauses:
            return NOTHING_YET
        count = min(len(buffer), self._draw.randrange(1, self._most + 1), len(self._data) - self._at)
        buffer[:count] = self._data[self._at : self._at + count]
        self._at += count
        return count

    def cut(self) -> bool:
        return False


def _same(blocks: list[Capture], wanted: Capture) -> None:
    for column in ("time", "levels", "unknown"):
        found = np.concatenate([getattr(block, column) for block in blocks])
        assert np.array_equal(found, getattr(wanted, column)), column
    assert [gap for block in blocks for gap in block.gaps] == list(wanted.gaps)


@pytest.fixture(scope="module")
def dump(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """200 kB of a bus, switched off for a while in the middle ($dumpoff, IEEE 1364-2005 18.2.3)."""
    path = tmp_path_factory.mktemp("live") / "run.vcd"
    write_capture(path, 200_000, per_line=True)
    lines = path.read_bytes().split(b"\n")
    at = next(k for k in range(len(lines) // 2, len(lines)) if lines[k].startswith(b"#"))
    now = int(lines[at][1:])
    codes = [chr(33 + k).encode() for k in range(len(LINES))]
    off = [b"#%d" % (now - 2), b"$dumpoff", *(b"x" + c for c in codes), b"$end"]
    on = [b"#%d" % (now - 1), b"$dumpon", *(b"0" + c for c in codes), b"$end"]
    path.write_bytes(b"\n".join([*lines[:at], *off, *on, *lines[at:]]))
    return path


@pytest.mark.parametrize("most", [1 << 20, 5000, 1000])
def test_a_dump_that_comes_in_trickles_gives_the_rows_of_the_file(dump: Path, most: int) -> None:
    with open_capture(dump) as file:
        wanted = file.read(range(len(LINES)))
        notes, end = file.notes, file.end_time
    live = LiveCapture(Trickle(dump.read_bytes(), most))
    _same(list(live.blocks(range(len(LINES)))), wanted)
    assert (live.notes, live.end_time) == (notes, end)


@pytest.mark.parametrize("seed", range(6))
def test_reading_goes_on_where_it_was_left(dump: Path, seed: int) -> None:
    """Left after a random block, a few times over; what is known goes through a pickle each time."""
    with open_capture(dump) as file:
        wanted = file.read(range(len(LINES)))
    data, draw = dump.read_bytes(), random.Random(seed)
    place: LivePlace | None = None
    blocks: list[Capture] = []
    while True:
        source = Trickle(data, 9000, 0 if place is None else place.offset)
        live = LiveCapture(source, place=place)
        left = draw.randrange(1, 12)
        for block in live.blocks(range(len(LINES))):
            blocks.append(block)
            left -= 1
            if not left:
                break
        else:
            break
        place = pickle.loads(pickle.dumps(live.place()))
    assert [b.first_row for b in blocks] == np.cumsum([0, *map(len, blocks)])[:-1].tolist()
    _same(blocks, wanted)


@pytest.mark.parametrize("kind", ["raw", "csv"])
def test_samples_and_tables_too(tmp_path: Path, kind: str) -> None:
    draw = random.Random(5)
    words = [draw.randrange(1 << 16) for _ in range(4000)]
    if kind == "raw":
        data = b"".join(word.to_bytes(2, "little") for word in words)
    else:
        rows = "".join(f"{k * 40}," + ",".join(str(w >> b & 1) for b in range(16)) + "\n" for k, w in enumerate(words))
        data = ("time_ns," + ",".join(RAW.channels) + "\n" + rows).encode()
    path = tmp_path / f"run.{kind}"
    path.write_bytes(data)
    form = RAW if kind == "raw" else None
    with open_capture(path, raw=form) as file:
        wanted = file.read(range(16))
    place: LivePlace | None = None
    blocks: list[Capture] = []
    for most in (100, 2000, 1 << 20):
        live = LiveCapture(Trickle(data, most, 0 if place is None else place.offset), raw=form, place=place)
        for block in live.blocks(range(16)):
            blocks.append(block)
            if sum(map(len, blocks)) > most * 0.7 and most < 1 << 20:
                break
        place = pickle.loads(pickle.dumps(live.place()))
    _same(blocks, wanted)
