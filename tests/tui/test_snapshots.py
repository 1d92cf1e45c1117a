"""Three pictures of the whole screen at 80 by 24, so that a change of layout is seen and looked at.

Rewritten with ``pytest tests/tui/test_snapshots.py --snapshot-update`` after looking.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busledger.tui.app import BrowserApp
from tests.tui.builders import factory_of, make_session
from tests.tui.driving import settle


@pytest.mark.parametrize(
    ("name", "keys"),
    [("where", ()), ("cycles", ("c", "m", "m")), ("levels", ("c", "m", "l", "left_square_bracket", "E"))],
)
def test_the_screen_looks_as_it_did(snap_compare: Any, tmp_path: Path, name: str, keys: tuple[str, ...]) -> None:
    app = BrowserApp(factory_of(make_session(tmp_path)), watch_every_s=0)
    app.warm_every_s = 0

    async def press(pilot: Pilot[Any]) -> None:
        await settle(pilot, app)
        for key in keys:
            await pilot.press(key)
            await settle(pilot, app)

    assert snap_compare(app, run_before=press, terminal_size=(80, 24))
