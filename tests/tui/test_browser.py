"""The browser driven by keys; what is asserted is the state, and here and there a word on screen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from busledger.tui.app import BrowserApp
from busledger.tui.screens.filter_dialog import FilterDialog
from busledger.tui.screens.go_dialog import GoDialog
from busledger.tui.screens.help_sheet import HelpSheet
from busledger.tui.widgets.cycle_list import CycleList
from tests.tui.builders import BOARD, FakeSession, factory_of, make_result, make_store
from tests.tui.driving import answer, drive, press, screen_text, settle

SIZES = [(80, 24), (160, 45)]


@pytest.mark.parametrize("size", SIZES)
def test_mismatches_one_after_the_other_and_back(session: FakeSession, size: tuple[int, int]) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c")
        rows = session.store.mismatch_rows.tolist()
        await press(pilot, app, "m", "m", "m")
        assert app.state.cursor == rows[2]
        assert f"#{rows[2]} read" in screen_text(app) and "differs in D5" in screen_text(app)
        assert ", the bus carried" in screen_text(app)
        await press(pilot, app, "M")
        assert app.state.cursor == rows[1]
        await press(pilot, app, "end", "m")
        assert app.state.cursor == 4095
        assert "No later cycle is wrong." in screen_text(app)
        await press(pilot, app, "home", "M")
        assert app.state.cursor == 0 and "No earlier cycle is wrong." in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, size)


def test_steps_pages_and_ends_keep_the_cursor_on_screen(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "down", "down", "up")
        assert app.state.cursor == 1
        await press(pilot, app, "pagedown")
        page = app.screen.query_one(CycleList).page
        assert app.state.cursor == 1 + page
        await press(pilot, app, "pageup", "end")
        assert app.state.cursor == 4095
        for key in ("pageup", "up", "up", "home", "pagedown", "down"):
            await press(pilot, app, key)
            assert f"▶{'→' if app.state.cursor % 2 == 0 else '✓'} {app.state.cursor:>9}" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_a_click_chooses_a_cycle(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c")
        await pilot.click(CycleList, offset=(20, 4))
        await settle(pilot, app)
        assert app.state.cursor == 4 and app.state.trail == (0,)

    drive(BrowserApp(factory_of(session)), script)


def test_the_origin_of_a_value_and_back(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "m")
        wrong = app.state.cursor
        await press(pilot, app, "o")
        assert app.state.cursor == wrong - 1
        await press(pilot, app, "o")
        assert app.state.cursor == wrong - 1 and "No write to this cell" in screen_text(app)
        await press(pilot, app, "backspace")
        assert app.state.cursor == wrong

    drive(BrowserApp(factory_of(session)), script)


def test_searches_by_lane_part_and_address(session: FakeSession) -> None:
    rows = session.store.mismatch_rows.tolist()

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "5", "d")
        assert "Choose a data lane first" in screen_text(app)
        await press(pilot, app, "5", "d", "d")
        assert app.state.cursor == rows[1] and app.state.lane == 5
        await press(pilot, app, "D")
        assert app.state.cursor == rows[0]
        await press(pilot, app, "4", "d")
        assert app.state.cursor == rows[0] and "No later cycle is wrong on D4." in screen_text(app)
        await press(pilot, app, "4", "p")
        assert app.state.lane is None and app.state.cursor == rows[1]
        await press(pilot, app, "A")
        assert app.state.cursor == rows[1] - 1
        await press(pilot, app, "9")
        assert "data lanes D0 to D7" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize(
    ("place", "cursor"),
    [("#1234", 1234), ("#999999", 4095), ("1ms", 999), ("2.0517ms", 2051), ("401", 2050), ("$0", 1), ("ffff", 0)],
)
def test_going_to_a_place(session: FakeSession, place: str, cursor: int) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "g")
        assert isinstance(app.screen, GoDialog)
        await answer(pilot, app, place)
        assert app.state.cursor == cursor
        if place == "ffff":
            assert "No cycle is at FFFF." in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_a_place_that_is_none_stays_in_the_dialog(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "g")
        await answer(pilot, app, "[b]nowhere[/b]")
        assert isinstance(app.screen, GoDialog)
        assert "'[b]nowhere[/b]' is no place" in screen_text(app)
        await press(pilot, app, "escape")
        assert not isinstance(app.screen, GoDialog) and app.state.cursor == 0

    drive(BrowserApp(factory_of(session)), script)


def test_a_filter_is_asked_for_applied_shown_again_and_lifted(session: FakeSession) -> None:
    rows = session.store.mismatch_rows.tolist()

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "f")
        assert isinstance(app.screen, FilterDialog)
        app.screen.query_one("#region", Input).value = "bank7"
        await press(pilot, app, "enter")
        assert "There is no region 'bank7'" in screen_text(app)
        app.screen.query_one("#region", Input).value = "bank1"
        app.screen.query_one("#only", Input).value = "wrong"
        await press(pilot, app, "enter")
        assert len(app.state.rows) == len(rows) and app.state.cursor == rows[0]
        assert f"F lifts: {len(rows)} of 4096 shown, wrong in bank1" in screen_text(app)
        await press(pilot, app, "down")
        assert app.state.cursor == rows[1]
        await press(pilot, app, "o")
        assert app.state.cursor == rows[1] - 1 and app.state.filter.empty
        assert "F: filter again │ The filter hid this cycle and is off now." in screen_text(app)
        await press(pilot, app, "w")
        assert "F again: wrong in bank1 │ loom.vcd" in screen_text(app)  # told in every view, messages are not
        await press(pilot, app, "F", "c")
        assert app.state.cursor == rows[1] and len(app.state.rows) == len(rows)
        await press(pilot, app, "full_stop", "comma", "comma")
        assert app.state.cursor == rows[1] - 1 and len(app.state.rows) == 4096
        await press(pilot, app, "f")
        assert app.screen.query_one("#region", Input).value == "bank1"
        await press(pilot, app, "escape", "F")
        assert len(app.state.rows) == len(rows)
        await press(pilot, app, "F")
        assert len(app.state.rows) == 4096

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize("size", SIZES)
def test_levels_zoom_pan_marks_and_edges(session: FakeSession, size: tuple[int, int]) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "m", "l")
        edge = app.state.cursor * 100 + 100
        await press(pilot, app, "left_square_bracket", "E")
        assert app.state.caret == edge - 50  # PHI2 rises 50 ticks before it falls
        await press(pilot, app, "right_square_bracket")
        assert app.state.marks == (edge, edge - 50)
        assert "between -500 ns (2 MHz)" in screen_text(app)
        await press(pilot, app, "e")
        assert app.state.caret == edge
        before = app.state.ticks_per_column
        await press(pilot, app, "plus", "minus", "minus", "right", "shift+left", "0")
        assert app.state.ticks_per_column == before * 2 and app.state.caret == edge
        await press(pilot, app, "full_stop")
        assert app.state.cursor * 100 + 100 == edge + 100

    drive(BrowserApp(factory_of(session)), script, size)


def test_lines_are_arranged_by_the_user(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "l", "shift+down", "j", "enter")
        assert app.state.groups[0].lines == ("RW", "PHI2") and app.state.groups[0].folded
        assert "▸RW-PHI2" in screen_text(app)
        await press(pilot, app, "J", "h")
        assert [g.name for g in app.state.groups][:2] == ["PHI2", "A15-A0"]
        await press(pilot, app, "H", "down", "enter")
        assert not app.state.groups[1].folded and "A15" in screen_text(app)
        assert app.state.groups[-1].name == "RW"

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize("size", SIZES)
def test_every_key_of_a_view_is_on_screen_and_in_the_sheet(session: FakeSession, size: tuple[int, int]) -> None:
    from busledger.tui.keys import ANYWHERE, VIEWS
    from busledger.tui.screens.base import BrowserScreen
    from busledger.tui.screens.help_sheet import help_text

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        sheet = help_text().plain
        for name, letter, word in VIEWS:
            await press(pilot, app, letter)
            assert isinstance(app.screen, BrowserScreen) and app.screen.view == name
            shown = screen_text(app)
            assert all(f"{key} {view}" in shown for _, key, view in VIEWS)
            for key in (*app.screen.keys, *ANYWHERE):
                # The levels have more keys than a low terminal has room for beside them.
                assert f"{key.shown} {key.word}" in shown or (name == "levels" and size[1] < 30)
                assert key.sentence in sheet
            assert "? help" in shown and "q quit" in shown
            assert word in sheet
        await press(pilot, app, "question_mark")
        assert isinstance(app.screen, HelpSheet)
        await press(pilot, app, "escape")
        assert isinstance(app.screen, BrowserScreen)

    drive(BrowserApp(factory_of(session)), script, size)


def test_names_from_files_are_shown_never_obeyed(tmp_path: Path) -> None:
    store = make_store(tmp_path / "entry", names=("[red]x", "<script>\x1b[1m"))
    session = FakeSession(store, make_result(store), BOARD, capture_path="[bold]\x1b]0;title\x07.vcd")

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        shown = screen_text(app)
        assert "[bold]\\x1b]0;title\\x07.vcd" in shown and "\x1b" not in shown
        await press(pilot, app, "c")
        assert "[red]x" in screen_text(app)
        await press(pilot, app, "m")
        shown = screen_text(app)
        assert "<script>…" in shown and "<script>\\x1b[1m" in shown and "\x1b" not in shown

    drive(BrowserApp(factory_of(session)), script)


def test_the_key_tables_have_no_key_twice() -> None:
    from busledger.tui.keys import ANYWHERE, SHEET, VIEWS

    everywhere = [press for key in ANYWHERE for press, _ in key.presses] + [letter for _, letter, _ in VIEWS]
    assert len(set(everywhere)) == len(everywhere)
    for title, keys in SHEET:
        own = [press for key in keys for press, _ in key.presses]
        assert len(set(own)) == len(own), title
        if keys is not ANYWHERE:
            assert not set(own) & set(everywhere), title
