"""A file is reported once, when it has changed and come to rest."""

from __future__ import annotations

import os
from pathlib import Path

from busledger.tui.watch import FileWatch


def test_a_change_is_reported_once_it_rests(tmp_path: Path) -> None:
    file = tmp_path / "x.vcd"
    file.write_text("a")
    watch = FileWatch([file])
    assert watch.poll() is None
    file.write_text("ab")
    assert watch.poll() is None  # it may still be growing
    file.write_text("abc")
    assert watch.poll() is None
    assert watch.poll() == file
    assert watch.poll() is None


def test_a_file_that_is_gone_is_waited_for(tmp_path: Path) -> None:
    file = tmp_path / "x.vcd"
    file.write_text("a")
    watch = FileWatch([file])
    file.unlink()
    assert [watch.poll() for _ in range(3)] == [None] * 3
    file.write_text("new")
    os.utime(file, (1, 1))
    assert [watch.poll(), watch.poll()] == [None, file]


def test_two_files_are_watched_apart(tmp_path: Path) -> None:
    one, two = tmp_path / "1", tmp_path / "2"
    for file in (one, two):
        file.write_text("a")
    watch = FileWatch([one, two])
    one.write_text("bb")
    two.write_text("ccc")
    seen = {watch.poll() for _ in range(4)} - {None}
    assert seen == {one, two}
