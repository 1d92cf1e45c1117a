"""The further views driven by keys: where, why, pictures, notes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from busledger.tui.app import BrowserApp
from busledger.tui.filters import Filter
from busledger.tui.screens.base import BrowserScreen
from busledger.tui.screens.note_dialog import NoteDialog
from tests.tui.builders import FakeSession, factory_of, facts, make_session
from tests.tui.driving import drive, screen_text, settle
from tests.tui.test_check_pictures import SELECTS, with_checks

SIZES = [(80, 24), (160, 45)]


async def press(pilot: Pilot[Any], app: BrowserApp, *keys: str) -> None:
    for key in keys:
        await pilot.press(key)
        await settle(pilot, app)


def view_of(app: BrowserApp) -> str:
    assert isinstance(app.screen, BrowserScreen)
    return app.screen.view


@pytest.mark.parametrize("size", SIZES)
def test_it_opens_where_it_hurts_and_enter_shows_the_cycles(session: FakeSession, size: tuple[int, int]) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        assert view_of(app) == "where"
        assert (app.state.region, app.state.lane) == (1, 5)
        assert "bank1 D5 (0400-07FF) is U4: 73 of 1024 compared reads wrong" in screen_text(app)
        await press(pilot, app, "up", "left")
        assert "bank0 D6 (0000-03FF) is U2: 0 of 1024" in screen_text(app)
        await press(pilot, app, "down", "right", "enter")
        assert view_of(app) == "cycles" and len(app.state.rows) == 73
        assert app.state.cursor == session.store.mismatch_rows[0]

    drive(BrowserApp(factory_of(session)), script, size)


@pytest.mark.parametrize("size", SIZES)
def test_a_bus_of_sixteen_lanes_fits(tmp_path: Path, size: tuple[int, int]) -> None:
    from dataclasses import replace

    session = make_session(tmp_path)
    session.store = replace(session.store, facts=facts(data_bits=16))

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        shown = screen_text(app)
        heading = next(line for line in shown.splitlines() if "12" in line and "11" in line and "10" in line)
        names = [word.removeprefix("D") for word in heading.split()]
        assert {str(lane) for lane in range(16)} <= set(names)  # each apart from its neighbours
        assert "U4" in shown and "91 %" in shown
        await press(pilot, app, "left", "left")
        assert app.state.lane == 7
        await press(pilot, app, "c", "m")
        assert "··········5·····" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, size)


def test_a_key_without_use_says_so_and_where_it_has_one(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "m")
        assert "m does nothing in Where; it works in Cycles and Levels." in screen_text(app)
        await press(pilot, app, "y")
        assert "m does nothing" not in screen_text(app)  # a message leaves with its view
        await press(pilot, app, "Z")
        assert "Z does nothing. ? lists the keys." in screen_text(app)
        await press(pilot, app, "down")
        assert "does nothing" not in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_views_and_keys_can_be_clicked(session: FakeSession) -> None:
    async def click(pilot: Pilot[Any], app: BrowserApp, words: str) -> None:
        lines = screen_text(app).splitlines()
        y = next(n for n, line in enumerate(lines) if words in line)
        await pilot.click(offset=(lines[y].index(words), y))
        await settle(pilot, app)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await click(pilot, app, "c Cycles")
        assert view_of(app) == "cycles"
        await click(pilot, app, "mismatch")
        first = app.state.cursor
        assert first == session.store.mismatch_rows[0]
        await click(pilot, app, ". step")
        assert app.state.cursor == first + 1
        await click(pilot, app, ", . step")
        assert app.state.cursor == first

    drive(BrowserApp(factory_of(session)), script)


def test_a_number_opens_the_suspect_and_enter_goes_to_its_cycles(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "2")
        assert view_of(app) == "why" and app.state.suspect == 1
        assert "U4 does not drive D5" in screen_text(app)
        await press(pilot, app, "left")
        assert app.state.suspect == 0
        await press(pilot, app, "down", "down", "down", "enter")
        assert view_of(app) == "cycles" and app.state.cursor == session.store.mismatch_rows[1]
        await press(pilot, app, "backspace", "y", "1", "enter")
        assert app.state.filter.only == "wrong" and len(app.state.rows) == 73
        await press(pilot, app, "w", "9")
        assert "There is no suspect of rank 9." in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_evidence_below_the_fold_is_scrolled_into_view(tmp_path: Path) -> None:
    session = make_session(tmp_path)
    many = tuple(f"sentence {n} of the evidence" for n in range(60))
    first = session.result.suspects[0].model_copy(update={"evidence": many})
    session.result = session.result.model_copy(update={"suspects": (first,)})

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "y", *["down"] * 40)
        assert "▶ sentence 40 of" in screen_text(app)
        await press(pilot, app, *["up"] * 40)
        assert "▶ sentence 0 of" in screen_text(app)
        await press(pilot, app, "pagedown", "pageup")
        assert "▶ sentence 0 of" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize("size", SIZES)
def test_pictures_scroll_and_say_what_is_absent(tmp_path: Path, size: tuple[int, int]) -> None:
    session = make_session(tmp_path)
    session.result = with_checks(session.result, selects=SELECTS)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "s")
        assert "CS1 does not come" in screen_text(app) and "U9[b]" in screen_text(app)
        await press(pilot, app, "end", "up", "down", "pageup", "pagedown", "home")
        assert "CS1 does not come" in screen_text(app)
        for key, words in (
            ("b", "no look at the bus drivers"),
            ("t", "no look at the timing"),
            ("r", "Wrong reads over"),
        ):
            await press(pilot, app, key)
            assert words in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, size)


def test_notes_are_pinned_to_cycle_part_and_board_and_taken_away(tmp_path: Path) -> None:
    board = tmp_path / "card.toml"
    session = make_session(tmp_path, board_path=board)
    path = tmp_path / "card.toml.notes.json"

    async def pin(pilot: Pilot[Any], app: BrowserApp, title: str, text: str) -> None:
        await press(pilot, app, "N")
        assert isinstance(app.screen, NoteDialog) and title in screen_text(app)
        app.screen.query_one(Input).value = text
        await press(pilot, app, "enter")

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await pin(pilot, app, "A note on U4", "warm to the touch")
        assert "The note on U4 is kept." in screen_text(app)
        await press(pilot, app, "c", "m")
        cursor = app.state.cursor
        await pin(pilot, app, f"A note on cycle #{cursor} of loom.vcd", "[red]first[/red]")
        await press(pilot, app, "t")
        await pin(pilot, app, "A note on the board", "from the museum's store")
        await press(pilot, app, "y")
        await pin(pilot, app, "A note on U4", "  ")
        kept = json.loads(path.read_text())["notes"]
        assert [(n["on"], n["text"]) for n in kept] == [
            ("part", "warm to the touch"),
            ("cycle", "[red]first[/red]"),
            ("board", "from the museum's store"),
        ]
        await press(pilot, app, "c", "home", "n", "down", "enter")
        assert view_of(app) == "cycles" and app.state.cursor == cursor
        await press(pilot, app, "n", "up", "enter")
        assert "not pinned to a cycle" in screen_text(app)
        await press(pilot, app, "x")
        assert len(json.loads(path.read_text())["notes"]) == 2
        assert len(json.loads(path.with_name(path.name + ".bak").read_text())["notes"]) == 3
        assert "[red]first[/red]" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script)


def test_a_file_that_is_no_notes_file_is_told_and_left_alone(tmp_path: Path) -> None:
    board = tmp_path / "card.toml"
    path = tmp_path / "card.toml.notes.json"
    path.write_text("dear diary")
    session = make_session(tmp_path, board_path=board)

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "n", "down", "enter", "x", "N")
        app.screen.query_one(Input).value = "text"
        await press(pilot, app, "enter")
        assert "This is not a file of notes" in screen_text(app)
        assert path.read_text() == "dear diary"

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (40, 10), (20, 5)])
def test_every_view_survives_every_size_and_key(session: FakeSession, size: tuple[int, int]) -> None:
    keys = [
        "up",
        "down",
        "left",
        "right",
        "enter",
        "home",
        "end",
        "pageup",
        "pagedown",
        "m",
        "M",
        "d",
        "p",
        "a",
        "o",
        "backspace",
        "plus",
        "minus",
        "1",
        "0",
        "e",
        "j",
        "J",
        "h",
        "H",
    ]

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        for letter in "wyclsbtrn":
            await pilot.press(letter)
            for key in keys:
                await pilot.press(key)
            await settle(pilot, app)
        await pilot.resize_terminal(100, 30)
        await settle(pilot, app)
        assert app.is_running and app.state.total == 4096

    drive(BrowserApp(factory_of(session)), script, size)


def test_the_words_take_the_room_that_a_short_list_leaves(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c")
        assert app.screen.query_one("#side").size.height == 5
        app.select(Filter(only="wrong", time=(0, 208_000), lanes=1 << 5))
        await settle(pilot, app)
        assert 0 < len(app.state.rows) < 8
        assert app.screen.query_one("#list").size.height == len(app.state.rows) + 1
        assert app.screen.query_one("#side").size.height > 5
        await press(pilot, app, "F")
        await settle(pilot, app)
        assert app.screen.query_one("#side").size.height == 5

    drive(BrowserApp(factory_of(session)), script)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (("y",), "✗ D5 read"),  # the levels of the first cycle behind the suspect
        (("s",), "b Buffers"),
        (("t",), "Wrong reads over the capture"),
        (("r",), "t Timing"),
        (("c", "m"), "✗ D5 read"),
        (("c", "m", "l"), "last written by"),
    ],
)
def test_two_views_stand_side_by_side_on_a_wide_terminal(
    session: FakeSession, keys: tuple[str, ...], words: str
) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, *keys)
        await settle(pilot, app)
        assert words in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, (200, 60))
