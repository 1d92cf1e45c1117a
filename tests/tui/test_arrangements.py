"""The order of lines in the levels view outlives the browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busledger.tui import arranging
from busledger.tui import state as states
from busledger.tui.app import BrowserApp
from busledger.tui.arrangements import Arrangements
from busledger.tui.state import BrowserState
from tests.tui.builders import FakeSession, factory_of, facts
from tests.tui.driving import drive, press


def fresh() -> BrowserState:
    return states.initial_state(facts(), 100, 10_000)


def names(state: BrowserState) -> list[str]:
    return [group.name for group in state.groups]


def test_lines_stand_as_they_were_left(session: FakeSession, tmp_path: Path) -> None:
    file = tmp_path / "state" / "arrangements.json"

    async def arrange(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "l", "shift+down", "down", "h", "q")

    async def look(pilot: Pilot[Any], app: BrowserApp) -> None:
        assert names(app.state)[:2] == ["RW", "PHI2"]
        assert [group.name for group in app.state.hidden] == ["A15-A0"]

    drive(BrowserApp(factory_of(session), arrangements=Arrangements(file)), arrange)
    drive(BrowserApp(factory_of(session), arrangements=Arrangements(file)), look)
    assert not list(file.parent.glob("*.part"))


def test_other_lines_have_their_own_order(tmp_path: Path) -> None:
    kept = Arrangements(tmp_path / "a.json")
    moved = arranging.move_group(fresh(), 1)
    kept.keep(moved)
    other = states.initial_state(facts(data_bits=8).model_copy(update={"lines": facts().lines[1:]}), 100, 10_000)
    assert kept.applied(other) == other
    assert names(kept.applied(fresh())) == names(moved)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"x": 1}', '{"KEY": {"groups": [["a", [], true]], "hidden": []}}'])
def test_a_strange_file_is_as_good_as_none(tmp_path: Path, text: str) -> None:
    from busledger.tui.arrangements import _key

    file = tmp_path / "a.json"
    file.write_text(text.replace("KEY", _key(fresh())))
    assert Arrangements(file).applied(fresh()).groups == fresh().groups


def test_a_place_that_takes_nothing_is_no_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    Arrangements(tmp_path / "file" / "below" / "a.json").keep(fresh())
