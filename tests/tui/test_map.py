"""The map with every part of the card on it, on cards of 8, 40 and 72 chips."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from busledger.tui import state as states
from busledger.tui.app import BrowserApp
from busledger.tui.palette import GROUND, HEAT, WRONG
from busledger.tui.state import BrowserState, Rows
from busledger.tui.widgets.heat_map import heat_lines, map_picture
from busledger.tui.widgets.suspect_list import fitting_list
from tests.tui.builders import BOARD, FakeSession, factory_of
from tests.tui.driving import drive, press, screen_text
from tests.tui.many_parts import many_session

CARDS = [(1, 3), (5, 7), (9, 12)]  # regions of eight chips, bad chips
SIZES = [(80, 24), (120, 40), (200, 60)]


def at(**changes: Any) -> BrowserState:
    return BrowserState(100, Rows(100), **changes)


def shown(session: FakeSession, width: int, height: int, **changes: Any) -> list[str]:
    picture, _ = map_picture(session.result, session.board, 8, at(**changes), width, height)
    assert len(picture.lines) == len(picture.region) <= height
    return [line.plain for line in picture.lines]


def test_drivers_decoders_and_address_buffers_have_a_place(session: FakeSession) -> None:
    lines = shown(session, 51, 30)
    assert "   select  ·U9   data  ·U10   address  ·U11 " in lines
    assert lines[-1].split("   ") == [" ✗ bad", "· not judged"]


def test_a_convicted_part_is_a_block_of_colour(session: FakeSession) -> None:
    _, rows = heat_lines(session.result, BOARD, 8, at(), 51)
    chips = rows[1][1]
    blocks = [span for span in chips.spans if span.style.bgcolor and span.style.bgcolor.name == WRONG]
    assert [chips.plain[span.start : span.end] for span in blocks] == ["└───────✗U4────────┘"]
    assert blocks[0].style.color.name == GROUND


@pytest.mark.parametrize(("lanes", "width", "drawn"), [(8, 51, "[▒7 ]"), (8, 96, "[▒  7   ]"), (8, 34, "[7]")])
def test_the_chosen_cell_keeps_its_heat(session: FakeSession, lanes: int, width: int, drawn: str) -> None:
    _, rows = heat_lines(session.result, BOARD, lanes, at(region=1, lane=5), width)
    cells = rows[1][0]
    start = cells.plain.index("[")
    style = next(span.style for span in cells.spans if span.start == start)
    assert cells.plain[start:].startswith(drawn) and style.bgcolor.name == HEAT[2][0]


@pytest.mark.parametrize(("regions", "bad"), CARDS)
@pytest.mark.parametrize("size", SIZES)
def test_many_bad_parts_are_all_told(tmp_path: Path, regions: int, bad: int, size: tuple[int, int]) -> None:
    session = many_session(tmp_path, regions, bad)
    accused = [suspect.component for suspect in session.result.suspects[:bad]]

    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        text = screen_text(app)
        assert f"{bad} parts are bad" in text.split("\n\n")[0]
        listed = re.findall(r"[✗?](U\d+)\b", text)
        hidden = re.search(r"and (\d+) more: y", text)
        assert len(set(listed) & set(accused)) >= bad - int(hidden[1] if hidden else 0)
        for name in re.findall(r"[✗?✓·~](U\w*)", text):
            assert re.fullmatch(r"U\d+", name)
        assert "select" in text and "address" in text
        await press(pilot, app, *["down"] * regions)
        assert f"row{regions - 1}" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, size)


def test_what_does_not_fit_is_counted(tmp_path: Path) -> None:
    session = many_session(tmp_path, 9, 12)
    top = shown(session, 51, 13, region=0, lane=7)
    assert "▼" in " ".join(top) and any(re.search(r"▼ \d more regions", line) for line in top)
    bottom = shown(session, 51, 13, region=8, lane=7)
    assert any(re.search(r"▲ \d more regions", line) for line in bottom) and any("row8" in line for line in bottom)
    listed = fitting_list(session.result, at(), 27, 6).plain.splitlines()
    assert len(listed) == 6 and listed[-1] == " and 7 more: y, then → for each"


def test_a_click_chooses_a_cell_and_a_second_opens_it(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        lines = screen_text(app).splitlines()
        y = next(n for n, line in enumerate(lines) if line.lstrip().startswith("bank0"))
        x = lines[0 + y].index("bank0") + 6
        await pilot.click(offset=(x + 2, y))
        await pilot.pause()
        assert (app.state.region, app.state.lane) == (0, 7)
        wrong = next(n for n, line in enumerate(lines) if "[▒7 ]" in line)
        await pilot.click(offset=(lines[wrong].index("▒7"), wrong), times=2)
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert app.screen.view == "cycles" and len(app.state.rows) == 73  # type: ignore[attr-defined]

    drive(BrowserApp(factory_of(session)), script)


def test_a_click_on_a_suspect_opens_why(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        lines = screen_text(app).splitlines()
        y = next(n for n, line in enumerate(lines) if "not driven" in line)
        await pilot.click(offset=(lines[y].index("not driven"), y))
        await pilot.pause()
        assert app.screen.view == "why" and app.state.suspect == 1  # type: ignore[attr-defined]

    drive(BrowserApp(factory_of(session)), script)


def test_why_stands_beside_where_on_a_wide_terminal(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        assert "What speaks for it" in screen_text(app)
        app.act(states.select_suspect, 1, 2)
        await pilot.pause()
        assert "2 of 2" in screen_text(app)

    drive(BrowserApp(factory_of(session)), script, (200, 60))


def test_bad_parts_of_regions_out_of_view_are_named(tmp_path: Path) -> None:
    session = many_session(tmp_path, 9, 12)
    last = [suspect.component for suspect in session.result.suspects][10]
    told = next(line for line in shown(session, 51, 12) if "▼" in line)
    assert "more regions: " in told and len(told) <= 51
    above = next(line for line in shown(session, 51, 12, region=8) if "▲" in line)
    assert "✗U1 " in above and f"✗{last}" not in above
