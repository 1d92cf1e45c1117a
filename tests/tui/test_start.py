"""The installed command asks for one BLAS thread, unless somebody asked for more."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator

import pytest

from busledger.tui import start
from busledger.tui.commands import main as commands


@pytest.fixture(autouse=True)
def quiet(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(commands, "main", lambda: 0)
    monkeypatch.setattr(start.atexit, "register", lambda act: act)
    before = gc.get_threshold()
    yield
    gc.set_threshold(*before)


@pytest.mark.parametrize(("asked", "found"), [(None, "1"), ("3", "3")])
def test_blas_threads(monkeypatch: pytest.MonkeyPatch, asked: str | None, found: str) -> None:
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", asked or "")
    if asked is None:
        monkeypatch.delenv("OPENBLAS_NUM_THREADS")
    assert start.main() == 0
    assert os.environ["OPENBLAS_NUM_THREADS"] == found
