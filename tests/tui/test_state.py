"""The browser's state without a screen: every way it may change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.store import StoredLine
from busledger.tui import arranging
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.state import BrowserState, LineGroup, Rows, bits_below
from tests.tui.builders import facts


def start(total: int = 100) -> BrowserState:
    return states.initial_state(facts(), total, total * 100)


def picked(*cycles: int) -> np.ndarray:
    return np.array(cycles, np.uint32)


def test_stepping_stops_at_both_ends() -> None:
    state = start()
    assert states.move(state, -5).cursor == 0
    assert states.move(state, 7).cursor == 7
    assert states.move(state, 1000).cursor == 99
    assert states.move_to_end(state, True).cursor == 99
    assert states.move_to_end(states.move(state, 50), False).cursor == 0


def test_a_filter_takes_the_cursor_to_the_nearest_shown_cycle_and_steps_inside_it() -> None:
    state = states.set_filter(states.move(start(), 50), Filter(only="wrong"), picked(3, 40, 60, 90))
    assert state.cursor == 60
    assert states.move(state, 1).cursor == 90
    assert states.move(state, -2).cursor == 3
    assert states.move(state, 9).cursor == 90
    back = states.clear_filter(state)
    assert (back.cursor, len(back.rows), back.filter.empty) == (60, 100, True)


def test_a_filter_that_nothing_meets_keeps_the_place_and_says_so() -> None:
    state = states.set_filter(states.move(start(), 50), Filter(only="wrong"), picked())
    assert (state.cursor, len(state.rows)) == (50, 0)
    assert "No cycle" in state.message
    assert states.move(state, 1).message == "The filter shows no cycle."


def test_a_jump_to_a_hidden_cycle_shows_it_and_the_filter_can_be_put_back() -> None:
    """The cursor went to a cycle that the list did not show: it seemed lost."""
    state = states.set_filter(start(), Filter(only="wrong"), picked(10, 20, 30))
    outside = states.go_to(state, 15)
    assert (outside.cursor, outside.filter.empty, len(outside.rows)) == (15, True, 100)
    assert "F puts it back" in outside.message
    back = states.flip_filter(outside)
    assert (back.filter.only, back.cursor, len(back.rows)) == ("wrong", 20, 3)
    assert states.go_to(state, 20).filter.only == "wrong"


def test_stepping_goes_from_cycle_to_cycle_whatever_the_filter_shows() -> None:
    state = states.set_filter(start(), Filter(only="wrong"), picked(10, 11, 30))
    next_to = states.step(state, 1)
    assert (next_to.cursor, next_to.filter.only) == (11, "wrong")
    assert (states.step(next_to, 1).cursor, states.step(next_to, 1).filter.empty) == (12, True)
    assert states.step(start(), -1).cursor == 0


def test_the_filter_is_lifted_and_put_back_by_one_key() -> None:
    state = states.set_filter(start(), Filter(only="wrong"), picked(10, 20, 30))
    off = states.flip_filter(state)
    assert (off.cursor, len(off.rows), off.filter.empty) == (10, 100, True)
    assert states.flip_filter(off).filter.only == "wrong"
    assert states.flip_filter(start()).message == "No filter is on. f sets one."


def test_jumps_are_remembered_and_undone_in_turn() -> None:
    state = start()
    for cycle in (10, 30, 20, 20):
        state = states.go_to(state, cycle)
    places = []
    while state.trail:
        state = states.go_back(state)
        places.append(state.cursor)
    assert places == [30, 10, 0]
    assert "no jump" in states.go_back(state).message


def test_a_jump_beyond_the_capture_lands_on_its_end() -> None:
    assert states.go_to(start(), 10**9).cursor == 99
    assert states.go_to(start(), -4).cursor == 0


def test_the_trail_is_bounded() -> None:
    state = start(1000)
    for cycle in range(1, 500):
        state = states.go_to(state, cycle)
    assert len(state.trail) == 64 and state.trail[-1] == 498


@given(st.sets(st.integers(0, 99)), st.integers(-1, 100))
@settings(max_examples=100)
def test_neighbours_are_the_next_and_the_previous_of_the_rows(rows: set[int], cursor: int) -> None:
    array = np.array(sorted(rows), np.int64)
    assert states.neighbour(array, cursor, 1) == min((r for r in rows if r > cursor), default=None)
    assert states.neighbour(array, cursor, -1) == max((r for r in rows if r < cursor), default=None)


@given(st.sets(st.integers(0, 99), min_size=1))
@settings(max_examples=100)
def test_positions_and_cycles_of_picked_rows_belong_together(rows: set[int]) -> None:
    ordered = sorted(rows)
    shown = Rows(100, np.array(ordered, np.uint32))
    assert [shown.cycle(p) for p in range(len(shown))] == ordered
    for cycle in range(100):
        assert (cycle in shown) == (cycle in rows)
        at_or_after = [r for r in ordered if r >= cycle]
        assert shown.cycle(shown.position(cycle)) == (at_or_after[0] if at_or_after else ordered[-1])


@pytest.mark.parametrize(
    ("chosen", "mismatch", "lane"), [(None, 0, None), (None, 0b101000, 3), (6, 0b1000, 6), (0, 0, 0)]
)
def test_the_lane_to_search_is_the_chosen_one_or_the_lowest_that_differs(chosen, mismatch, lane) -> None:  # type: ignore[no-untyped-def]
    assert states.chosen_lane(states.select_lane(start(), chosen), mismatch) == lane


def test_a_suspect_beyond_the_list_is_the_one_at_its_end() -> None:
    assert [states.select_suspect(start(), n, 3).suspect for n in (-1, 1, 9)] == [0, 1, 2]
    assert states.select_suspect(start(), 4, 0).suspect == 0


def test_zoom_halves_and_doubles_between_its_ends() -> None:
    state = start(1000)
    closer = states.zoom(state, True, 100_000)
    assert closer.ticks_per_column == state.ticks_per_column / 2
    assert states.zoom(closer, False, 100_000).ticks_per_column == state.ticks_per_column
    for _ in range(60):
        closer, state = states.zoom(closer, True, 100_000), states.zoom(state, False, 100_000)
    assert closer.ticks_per_column == 1 / 16
    assert state.ticks_per_column == 100_000 / 40


def test_pan_moves_at_least_a_tick_and_stays_in_the_capture() -> None:
    state = states.zoom(start(), True, 10_000)
    assert states.pan(state, 0.001, 50, 0, 9999).caret == 51
    assert states.pan(state, -0.001, 50, 0, 9999).caret == 49
    assert states.pan(state, -1e9, 50, 10, 9999).caret == 10
    assert states.pan(state, 1e9, 50, 10, 9999).caret == 9999
    assert states.move(states.pan(state, 1e9, 50, 10, 9999), 1).caret is None


def test_a_mark_set_twice_on_a_time_is_taken_away() -> None:
    state = states.set_mark(start(), 0, 40)
    state = states.set_mark(state, 1, 90)
    assert state.marks == (40, 90)
    assert states.set_mark(state, 0, 41).marks == (41, 90)
    assert states.set_mark(state, 1, 90).marks == (40, None)


def test_lines_are_first_arranged_control_address_data_selects() -> None:
    groups = states.group_lines(facts().lines)
    assert [g.name for g in groups] == ["PHI2", "RW", "A15-A0", "D7-D0", "CS0", "CS1"]
    assert groups[2].lines[0] == "A15" and groups[2].folded
    assert groups[3].lines[-1] == "D0" and not groups[3].folded
    single = states.group_lines([StoredLine(name="A0", role="address")])
    assert single == (LineGroup("A0", ("A0",)),)


def names(state: BrowserState) -> list[str]:
    return [group.name for group in state.groups]


def test_lines_are_carried_joined_parted_hidden_and_brought_back() -> None:
    state = start()
    down = arranging.move_group(state, 1)
    assert (names(down)[:2], down.group) == (["RW", "PHI2"], 1)
    assert arranging.move_group(state, -1) is state
    joined = arranging.join_group(down)
    assert joined.groups[0] == LineGroup("RW-PHI2", ("RW", "PHI2"), False)
    assert arranging.fold(joined).groups[0].folded
    assert names(arranging.split_group(joined)) == names(down)
    hidden = arranging.hide_group(joined)
    assert "RW-PHI2" not in names(hidden)
    assert names(arranging.show_all_groups(hidden))[-1] == "RW-PHI2"
    assert "single line" in arranging.fold(state).message
    assert "nothing above" in arranging.join_group(state).message
    for _ in range(9):
        state = arranging.hide_group(state)
    assert len(state.groups) == 1 and "last line" in state.message


@given(st.lists(st.sampled_from(["up", "down", "carry_up", "carry_down", "fold", "join", "split", "hide", "show"])))
@settings(max_examples=100)
def test_no_arranging_loses_or_doubles_a_line(steps: list[str]) -> None:
    state = start()
    for step in steps:
        state = {
            "up": lambda s: arranging.select_group(s, -1),
            "down": lambda s: arranging.select_group(s, 1),
            "carry_up": lambda s: arranging.move_group(s, -1),
            "carry_down": lambda s: arranging.move_group(s, 1),
            "fold": arranging.fold,
            "join": arranging.join_group,
            "split": arranging.split_group,
            "hide": arranging.hide_group,
            "show": arranging.show_all_groups,
        }[step](state)
        assert 0 <= state.group < len(state.groups)
    lines = [name for group in (*state.groups, *state.hidden) for name in group.lines]
    assert sorted(lines) == sorted(line.name for line in facts().lines)


def test_a_reload_keeps_the_place_and_the_arrangement_where_the_lines_are_the_same() -> None:
    before = arranging.hide_group(arranging.move_group(states.go_to(start(), 80), 1))
    after = states.carry_over(before, states.initial_state(facts(), 50, 5000))
    assert (after.cursor, after.groups, after.hidden) == (49, before.groups, before.hidden)
    fewer = states.initial_state(facts(), 50, 5000)
    fewer = arranging.split_group(fewer)
    other = BrowserState(50, Rows(50), groups=(LineGroup("CLK", ("CLK",)),))
    assert states.carry_over(before, other).groups == other.groups


def test_a_bus_without_a0_shows_addresses_as_they_are_written():
    """A 68000 has A23 … A1 and no A0; a part of the address from A4 up is a value of its own, as data lanes are."""
    assert bits_below([f"A{n}" for n in range(23, 0, -1)]) == 1
    assert bits_below(["A3", "A2"]) == 2
    assert bits_below(["A15", "A14", "A13", "A12"]) == bits_below(["A1", "A0"]) == bits_below(["D3", "D2", "D1"]) == 0
    assert bits_below(["A5", "A3", "A1"]) == 0
