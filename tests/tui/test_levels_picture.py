"""The picture of levels: the differing lane first, with the level that was due, and what is off the screen."""

from __future__ import annotations

import re
from typing import Any

from textual.pilot import Pilot

from busledger.tui import state as states
from busledger.tui.app import BrowserApp
from busledger.tui.source import CycleRow, StoreSource
from busledger.tui.widgets.levels import draw_levels, ranges
from tests.tui.builders import FakeSession, factory_of
from tests.tui.driving import drive, press, screen_text


def lines(source: StoreSource, cursor: int) -> list[str]:
    state = states.initial_state(source.facts, source.total, source.total * 100)
    picture = draw_levels(source, states.go_to(state, cursor), 80)
    return ["".join(segment.text for segment in line) for line in picture.head]


def test_the_lane_that_differs_stands_first_with_the_level_that_was_due(session: FakeSession) -> None:
    source = StoreSource(session.store)
    wrong = int(session.store.mismatch_rows[0])
    head = lines(source, wrong)
    assert head[3].startswith("  ✗ D5 read ")
    due = head[4]
    assert due.startswith("        due ") and due.endswith("high was due".ljust(len(due) - due.index("high was due")))
    edge = head[2].index("▼")
    assert due[edge] == "▀"  # in the sampling window, where the level counts
    assert len(lines(source, wrong + 1)) == 3  # a right cycle has no such lines


def test_many_differing_lanes_leave_room_for_the_others(session: FakeSession) -> None:
    class AllWrong(StoreSource):
        def row(self, index: int) -> CycleRow:
            from dataclasses import replace

            return replace(super().row(index), mismatch=0xFF)

    source, wrong = AllWrong(session.store), int(session.store.mismatch_rows[0])
    head = lines(source, wrong)
    # Each row draws what was read; its name says what was due.
    due = [f"D{lane} due {source.row(wrong).expected >> lane & 1}" for lane in range(8)]
    assert [line[:12].strip() for line in head[3:]] == [*(f"✗ {name}" for name in due[:4]), "✗ also"]
    assert head[-1].split("also ")[1] == "  ".join(due[4:])


def test_what_is_off_the_screen_is_named(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "m", "l")
        assert re.search(r"▼ \d more: ((D\d-)?D0 )?/CS0-/CS1", screen_text(app))
        for _ in range(5):
            await press(pilot, app, "down")
        assert "more: PHI2 RW" in screen_text(app).split("▲")[1]
        assert app.state.groups[app.state.group].name == "CS1"

    drive(BrowserApp(factory_of(session)), script)


def test_a_line_is_chosen_by_a_click(session: FakeSession) -> None:
    async def script(pilot: Pilot[Any], app: BrowserApp) -> None:
        await press(pilot, app, "c", "m", "l")
        shown = screen_text(app).splitlines()
        await pilot.click(offset=(5, next(n for n, line in enumerate(shown) if "A15-A0" in line)))
        await pilot.pause()
        assert app.state.groups[app.state.group].name == "A15-A0"

    drive(BrowserApp(factory_of(session)), script)


def test_neighbouring_numbers_are_put_together() -> None:
    assert ranges(["D7", "D6", "D5", "CS0", "CS1", "RW", "A3"]) == ["D7-D5", "CS0-CS1", "RW", "A3"]
    assert ranges([]) == []
