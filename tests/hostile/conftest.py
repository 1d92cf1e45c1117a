"""A bench with one good capture on it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hostile.small import Bench


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Bench:
    """The good capture and its board, in the current folder."""
    monkeypatch.chdir(tmp_path)
    return Bench(tmp_path, capsys)
