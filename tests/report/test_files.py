"""Result files appear whole or not at all; the old one survives every failure."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from busledger.decoder.errors import OutputError, UsageError
from busledger.decoder.report.files import refuse_overwriting, whole_file


def test_file_appears_only_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "out.csv"
    with whole_file(target) as file:
        file.write(b"new")
        assert not target.exists()
    assert target.read_bytes() == b"new"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


@pytest.mark.parametrize(
    "failure", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt(), ValueError()]
)
def test_old_file_stays_when_writing_fails(tmp_path: Path, failure: BaseException) -> None:
    target = tmp_path / "out.csv"
    target.write_bytes(b"old")
    expected = OutputError if isinstance(failure, OSError) else type(failure)
    with pytest.raises(expected), whole_file(target) as file:
        file.write(b"half")
        raise failure
    assert target.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


def test_full_disk_found_only_at_the_flush(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "out.csv"
    target.write_bytes(b"old")

    def full(_fd: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left"), whole_file(target) as file:
        file.write(b"x")
    assert target.read_bytes() == b"old"


def test_device_that_is_always_full() -> None:
    with pytest.raises(OutputError, match="No space left"), whole_file("/dev/full") as file:
        file.write(b"x" * 100_000)


def test_link_is_followed_and_its_target_replaced(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    target = tmp_path / "real" / "out.csv"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link = tmp_path / "link.csv"
    link.symlink_to(target)
    with whole_file(link) as file:
        file.write(b"new")
    assert link.is_symlink()
    assert target.read_bytes() == b"new"
    assert target.stat().st_mode & 0o777 == 0o640


def test_no_such_folder_and_a_folder_in_the_way(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="No such file"), whole_file(tmp_path / "none" / "out.csv"):
        pass
    with pytest.raises(OutputError, match="folder"), whole_file(tmp_path):
        pass


def test_input_is_never_overwritten(tmp_path: Path) -> None:
    capture = tmp_path / "run.vcd"
    capture.write_text("x")
    link = tmp_path / "alias.csv"
    link.symlink_to(capture)
    for target in (capture, link, tmp_path / "." / "run.vcd"):
        with pytest.raises(UsageError, match="over the input"):
            refuse_overwriting(target, None, capture)
    refuse_overwriting(tmp_path / "other.csv", capture)
    refuse_overwriting("-", capture, "-")
