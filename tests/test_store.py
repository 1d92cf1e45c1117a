"""The decoded-capture store: what goes in comes out, and nothing half-written is ever believed."""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.capture.columns import Capture
from busledger.decoder.errors import CaptureError, OutputError
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.store import DETAIL_ROWS, Store, StoreDamagedError, StoredLine, StoredRegion, StoreFacts
from busledger.decoder.store.cache import StoreCache, file_digest, store_key
from busledger.decoder.store.writer import StoreWriter
from tests.tui.builders import moved_of

FACTS = StoreFacts(
    tick_fs=1_000_000,
    lines=(StoredLine(name="D0", role="data"), StoredLine(name="WR", role="control", active_low=True)),
    regions=(StoredRegion(name="bank0", start=0, end=1023),),
    program="test",
    gaps=((5, 9),),
)


def columns(n: int, seed: int = 1) -> tuple[Capture, Cycles, Compared]:
    rng = np.random.default_rng(seed)
    cycles = Cycles.empty(n)
    for field in fields(cycles):
        column = getattr(cycles, field.name)
        column[:] = rng.integers(0, 100, n)
    compared = Compared.empty(n)
    compared.verdict[:] = rng.integers(0, 8, n)
    compared.writer[:] = rng.integers(-1, n, n) if n else 0
    levels = rng.integers(0, 1 << 63, (3 * n, 2)).astype(np.uint64)
    time = np.arange(3 * n, dtype=np.int64) * 7
    return Capture(time, levels, np.zeros_like(levels), FACTS.tick_fs), cycles, compared


def test_the_lines_that_moved_in_each_group_of_rows_are_kept(tmp_path: Path) -> None:
    """Against the rows themselves, whatever blocks they came in."""
    for blocks in (1, 3, 7, 299):
        store, (capture, _, _) = write(tmp_path / f"entry{blocks}", 300, blocks)
        assert np.array_equal(store.moved, moved_of(capture))
        for name in ("time", "levels", "unknown"):
            assert np.array_equal(getattr(store.coarse, name), getattr(capture, name)[::DETAIL_ROWS])
    assert len(write(tmp_path / "none", 0)[0].moved) == 0


def write(entry: Path, n: int = 100, blocks: int = 3) -> tuple[Store, tuple[Capture, Cycles, Compared]]:
    capture, cycles, compared = columns(n)
    with StoreWriter(entry) as writer:
        for start in range(0, 3 * n, max(1, 3 * n // blocks)):
            stop = start + max(1, 3 * n // blocks)
            writer.add_capture(
                Capture(capture.time[start:stop], capture.levels[start:stop], capture.unknown[start:stop], 1)
            )
        for start in range(0, n, max(1, n // blocks)):
            writer.add_cycles(cycles.slice(start, start + max(1, n // blocks)))
            writer.add_compared(compared.slice(start, start + max(1, n // blocks)))
        writer.add_document("result.json", '{"a": "[red]ü"}')
        return writer.finish(FACTS), (capture, cycles, compared)


@pytest.mark.parametrize("n", [0, 1, 100])
@pytest.mark.parametrize("blocks", [1, 3, 100])
def test_everything_written_is_read_back(tmp_path: Path, n: int, blocks: int) -> None:
    store, (capture, cycles, compared) = write(tmp_path / "entry", n, blocks)
    np.testing.assert_array_equal(store.capture.time, capture.time)
    if n:
        np.testing.assert_array_equal(store.capture.levels, capture.levels)
        np.testing.assert_array_equal(store.capture.unknown, capture.unknown)
    for stored, given in ((store.cycles, cycles), (store.compared, compared)):
        for field in fields(given):
            np.testing.assert_array_equal(getattr(stored, field.name), getattr(given, field.name), err_msg=field.name)
            assert getattr(stored, field.name).dtype == getattr(given, field.name).dtype
    np.testing.assert_array_equal(store.mismatch_rows, np.flatnonzero(compared.verdict == Verdict.MISMATCH))
    np.testing.assert_array_equal(store.disagree_rows, np.flatnonzero(compared.verdict == Verdict.DISAGREES))
    assert store.facts == FACTS
    assert store.documents == {"result.json": '{"a": "[red]ü"}'}
    assert len(store) == n


def test_columns_cannot_be_written_to(tmp_path: Path) -> None:
    store, _ = write(tmp_path / "entry")
    with pytest.raises(ValueError, match="read-only"):
        store.cycles.data[0] = 1


def test_an_unfinished_writer_leaves_nothing(tmp_path: Path) -> None:
    with StoreWriter(tmp_path / "entry") as writer:
        writer.add_cycles(columns(10)[1])
    assert list(tmp_path.iterdir()) == []


def test_cycles_without_the_ledgers_word_are_refused(tmp_path: Path) -> None:
    with StoreWriter(tmp_path / "entry") as writer, pytest.raises(ValueError, match="10 cycles"):
        writer.add_cycles(columns(10)[1])
        writer.finish(FACTS)
    assert list(tmp_path.iterdir()) == []


def test_every_file_cut_short_is_noticed(tmp_path: Path) -> None:
    store, _ = write(tmp_path / "entry")
    for file in sorted(store.path.iterdir()):
        whole = file.read_bytes()
        for cut in (whole[:-1], whole[: len(whole) // 2], b""):
            file.write_bytes(cut)
            with pytest.raises(StoreDamagedError):
                Store.open(store.path)
        file.unlink()
        with pytest.raises(StoreDamagedError):
            Store.open(store.path)
        file.write_bytes(whole)
    assert len(Store.open(store.path)) == 100


def test_every_byte_of_the_facts_matters(tmp_path: Path) -> None:
    store, _ = write(tmp_path / "entry", n=1)
    meta = store.path / "meta.json"
    whole = meta.read_bytes()
    for place in range(len(whole)):
        meta.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        with pytest.raises(StoreDamagedError):
            Store.open(store.path)


def test_swapped_columns_are_noticed(tmp_path: Path) -> None:
    store, _ = write(tmp_path / "entry")
    one, two = store.path / "cycles.data", store.path / "cycles.kept"
    content = one.read_bytes()
    one.write_bytes(two.read_bytes())
    two.write_bytes(content)
    with pytest.raises(StoreDamagedError, match="wrong beginning"):
        Store.open(store.path)


def test_a_cache_finds_what_it_wrote_and_drops_what_is_damaged(tmp_path: Path) -> None:
    cache = StoreCache(tmp_path / "cache")
    assert cache.find("k") is None
    write(cache.root / "k")
    found = cache.find("k")
    assert found is not None and len(found) == 100
    (cache.root / "k" / "cycles.time").write_bytes(b"")
    assert cache.find("k") is None
    assert not (cache.root / "k").exists()


def test_writing_the_same_entry_twice_keeps_the_first(tmp_path: Path) -> None:
    first, (_, cycles, _) = write(tmp_path / "entry")
    second, _ = write(tmp_path / "entry")
    np.testing.assert_array_equal(first.cycles.time, cycles.time)
    np.testing.assert_array_equal(second.cycles.time, cycles.time)
    assert [p.name for p in tmp_path.iterdir()] == ["entry"]


def test_the_least_recently_used_entries_go_first(tmp_path: Path) -> None:
    cache = StoreCache(tmp_path / "cache", limit_bytes=1)
    for age, key in ((300, "old"), (200, "middle"), (100, "new")):
        store, _ = write(cache.root / key)
        for file in store.path.iterdir():
            stamp = file.stat().st_mtime - age
            os.utime(file, (stamp, stamp))
    cache.find("old")  # using it makes it the youngest
    (entry_bytes,) = {sum(f.stat().st_blocks * 512 for f in (cache.root / k).iterdir()) for k in ("middle", "new")}
    cache.limit_bytes = 2 * entry_bytes
    cache.trim()
    assert sorted(p.name for p in cache.root.iterdir()) == ["new", "old"]
    cache.limit_bytes = 0
    cache.trim(keep="new")
    assert [p.name for p in cache.root.iterdir()] == ["new"]


def test_remains_of_a_dead_process_are_swept_after_a_day(tmp_path: Path) -> None:
    cache = StoreCache(tmp_path / "cache")
    young, old = cache.root / "a.1-x.unfinished", cache.root / "b.1-x.unfinished"
    for folder in (young, old):
        folder.mkdir()
        (folder / "cycles.time").write_bytes(b"x")
    os.utime(old / "cycles.time", (1, 1))
    cache.trim()
    assert young.exists() and not old.exists()


def test_a_damaged_entry_is_replaced_by_a_new_one(tmp_path: Path) -> None:
    store, _ = write(tmp_path / "entry")
    (store.path / "cycles.time").write_bytes(b"")
    again, (_, cycles, _) = write(tmp_path / "entry")
    np.testing.assert_array_equal(again.cycles.time, cycles.time)
    assert [p.name for p in tmp_path.iterdir()] == ["entry"]


def test_a_cache_that_cannot_be_written_falls_back(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("a file where the directory should be")
    cache = StoreCache(blocked / "cache")
    assert cache.temporary and cache.root.is_dir()
    store, _ = write(cache.root / "k")
    assert len(store) == 100


def test_a_full_disk_is_a_sentence_and_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(fd: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with StoreWriter(tmp_path / "entry") as writer:
        writer.add_cycles(columns(10)[1])
        writer.add_compared(columns(10)[2])
        monkeypatch.setattr(os, "fsync", refuse)
        with pytest.raises(OutputError, match=r"No space left on device.*Free some space"):
            writer.finish(FACTS)
    assert list(tmp_path.iterdir()) == []


def test_a_key_depends_on_every_part_and_on_where_they_part() -> None:
    keys = {
        store_key("d", "a", "b"),
        store_key("d", "ab", ""),
        store_key("d", "", "ab"),
        store_key("da", "b"),
        store_key("d"),
    }
    assert len(keys) == 5
    assert store_key("d", "a", "b") == store_key("d", "a", "b")


def test_digest_is_blake2b_of_the_bytes(tmp_path: Path) -> None:
    # Source: RFC 7693 leaves the digest length free; the value is `b2sum -l 160` of "abc" (GNU coreutils).
    file = tmp_path / "c.vcd"
    file.write_bytes(b"abc")
    assert file_digest(file) == "384264f676f39536840523f284921cdc68b6846b"
    with pytest.raises(CaptureError, match="cannot be read"):
        file_digest(tmp_path / "none")


def test_a_remembered_digest_is_used_until_the_file_changes(tmp_path: Path) -> None:
    cache = StoreCache(tmp_path / "cache")
    file = tmp_path / "c.vcd"
    file.write_bytes(b"abc")
    first = cache.digest(file)
    assert not (cache.root / "digests").exists()  # too fresh: a second change could carry the same time
    stat = file.stat()
    note = {"stamp": [stat.st_size, stat.st_ino, stat.st_dev, stat.st_mtime_ns, stat.st_ctime_ns], "digest": "kept"}
    file_note = cache.root / "digests"
    cache._remember(file_note / _name_of(file), note)
    assert cache.digest(file) == "kept"
    file.write_bytes(b"abd")
    assert cache.digest(file) not in ("kept", first)
    (file_note / _name_of(file)).write_text("{")
    assert cache.digest(file) == file_digest(file)


def _name_of(file: Path) -> str:
    import hashlib

    name = str(file.resolve()).encode()
    return hashlib.blake2b(len(name).to_bytes(8, "little") + name, digest_size=20).hexdigest()


def _write_many(root: str) -> None:
    for _ in range(5):
        write(Path(root) / "entry", 50)


def test_two_processes_may_write_and_read_the_same_entry(tmp_path: Path) -> None:
    context = multiprocessing.get_context("spawn")
    twins = [context.Process(target=_write_many, args=(str(tmp_path),)) for _ in range(2)]
    for twin in twins:
        twin.start()
    cache = StoreCache(tmp_path)
    while any(twin.is_alive() for twin in twins):
        if (tmp_path / "entry").is_dir():
            assert len(Store.open(tmp_path / "entry")) == 50
    for twin in twins:
        twin.join()
        assert twin.exitcode == 0
    found = cache.find("entry")
    assert found is not None and len(found) == 50
    assert json.loads((tmp_path / "entry" / "meta.json").read_text())["schema"] == "busledger.store/3"
    assert [p.name for p in tmp_path.iterdir() if p.is_dir()] == ["entry"]
