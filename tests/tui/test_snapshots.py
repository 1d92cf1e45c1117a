"""Pictures of every view at three sizes, so that a change of layout is seen and looked at.

Rewritten with ``pytest tests/tui/test_snapshots.py --snapshot-update`` after looking.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busledger.tui.app import BrowserApp
from busledger.tui.keys import VIEWS
from tests.tui.builders import FakeSession, factory_of, make_session
from tests.tui.driving import settle
from tests.tui.many_parts import many_session

SIZES = [(80, 24), (120, 40), (200, 60)]
# What is pressed in a view before it is looked at.
KEYS = {"cycles": ("m", "m"), "levels": ("c", "m", "l", "left_square_bracket", "E"), "why": ("down",)}


@pytest.fixture(autouse=True)
def same_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Notes say where they are kept: a path that is the same in every run."""
    monkeypatch.chdir(tmp_path)


def looks(snap_compare: Any, session: FakeSession, size: tuple[int, int], *keys: str) -> bool:
    app = BrowserApp(factory_of(session), watch_every_s=0)
    app.warm_every_s = 0

    async def press(pilot: Pilot[Any]) -> None:
        await settle(pilot, app)
        for key in keys:
            await pilot.press(key)
            await settle(pilot, app)
        await settle(pilot, app)

    return bool(snap_compare(app, run_before=press, terminal_size=size))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(("name", "key"), [(name, key) for name, key, _ in VIEWS])
def test_the_screen_looks_as_it_did(
    snap_compare: Any, tmp_path: Path, name: str, key: str, size: tuple[int, int]
) -> None:
    assert looks(snap_compare, make_session(tmp_path / "run"), size, key, *KEYS.get(name, ()))


@pytest.mark.parametrize("size", SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
@pytest.mark.parametrize(("regions", "bad"), [(1, 3), (5, 7), (9, 12)], ids=["8chips", "40chips", "72chips"])
def test_many_bad_parts_look_as_they_did(
    snap_compare: Any, tmp_path: Path, regions: int, bad: int, size: tuple[int, int]
) -> None:
    assert looks(snap_compare, many_session(tmp_path / "run", regions, bad), size)
