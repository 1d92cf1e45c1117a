"""Searches over the columns, against the plain meaning of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture.columns import Capture
from busledger.tui import source as sources
from busledger.tui import state as states
from busledger.tui.filters import Filter
from busledger.tui.loaded import Loaded, Search, address_search, find_around, lane_search, part_search
from busledger.tui.source import StoreSource, find_edge, find_match, select_rows
from tests.tui.builders import BOARD, FakeSession, make_result, make_session, make_store, moved_of


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Loaded:
    return Loaded.of(make_session(tmp_path_factory.mktemp("source")))


def last(run):  # type: ignore[no-untyped-def]
    found = None
    for _, place in run:
        found = place
    return found


def state_at(loaded: Loaded, cycle: int) -> states.BrowserState:
    fresh = states.initial_state(loaded.source.facts, loaded.source.total, loaded.span)
    return states.go_to(fresh, cycle)


@pytest.mark.parametrize("chunk", [1, 7, 1000, 1 << 18])
@pytest.mark.parametrize("start", [0, 2000, 2065, 4095])
def test_matches_are_found_in_both_directions_whatever_the_chunk(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch, chunk: int, start: int
) -> None:
    monkeypatch.setattr(sources, "CHUNK", chunk)
    rows = loaded.source.mismatch_rows.tolist()

    def wrong(cycles, compared):  # type: ignore[no-untyped-def]
        return compared.mismatch != 0

    assert last(find_match(loaded.source, wrong, start, 1)) == min((r for r in rows if r > start), default=None)
    assert last(find_match(loaded.source, wrong, start, -1)) == max((r for r in rows if r < start), default=None)


def test_a_search_says_how_far_it_is(loaded: Loaded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sources, "CHUNK", 1000)
    steps = list(find_match(loaded.source, lambda c, d: np.zeros(len(c), np.bool_), 0, 1))
    assert steps == [(1000, None), (2000, None), (3000, None), (4000, None), (4095, None)]


def test_the_nearest_cycle_to_a_time(loaded: Loaded) -> None:
    # Cycle n is sampled at tick 100 n + 100.
    assert [loaded.source.at_time(t) for t in (0, 100, 149, 151, 10**9)] == [0, 0, 0, 1, 4095]


def test_an_address_is_found_onwards_and_then_from_the_start(loaded: Loaded) -> None:
    wanted = address_search(loaded, 5).match
    assert last(find_around(loaded.source, wanted, 0)) == 10
    assert last(find_around(loaded.source, wanted, 11)) == 11
    assert last(find_around(loaded.source, wanted, 12)) == 10
    assert last(find_around(loaded.source, address_search(loaded, 0xFFF0).match, 12)) is None


def test_the_lane_search_follows_the_lane(loaded: Loaded) -> None:
    first = int(loaded.source.mismatch_rows[0])
    assert lane_search(loaded, state_at(loaded, 0)) == "Choose a data lane first: 0 to 9, or in the heat map."
    wanted = lane_search(loaded, states.select_lane(state_at(loaded, 0), 5))
    assert isinstance(wanted, Search)
    assert last(find_match(loaded.source, wanted.match, 0, 1)) == first
    other = lane_search(loaded, states.select_lane(state_at(loaded, first), 4))
    assert isinstance(other, Search)
    assert last(find_match(loaded.source, other.match, 0, 1)) is None
    assert other.nothing.format("later") == "No later cycle is wrong on D4."


def test_the_part_search_follows_the_chip(loaded: Loaded) -> None:
    first, second = (int(r) for r in loaded.source.mismatch_rows[:2])
    wanted = part_search(loaded, state_at(loaded, first))
    assert isinstance(wanted, Search)
    assert wanted.nothing == "No {} cycle is wrong on U4."
    assert last(find_match(loaded.source, wanted.match, first, 1)) == second
    low = part_search(loaded, states.select_lane(state_at(loaded, first), 0))
    assert isinstance(low, Search) and "U3" in low.nothing
    assert last(find_match(loaded.source, low.match, 0, 1)) is None


def test_without_a_board_the_part_is_the_region(tmp_path: Path) -> None:
    session = make_session(tmp_path, board=None)
    wanted = part_search(Loaded.of(session), state_at(Loaded.of(session), 2051))
    assert isinstance(wanted, Search) and wanted.nothing == "No {} cycle is wrong in bank1."


@pytest.mark.parametrize("chunk", [13, 1 << 18])
@pytest.mark.parametrize(
    "wanted",
    [
        Filter(only="wrong"),
        Filter(time=(150_000, 250_050)),
        Filter(time=(5, 10)),
        Filter(regions=frozenset({1}), lanes=32),
    ],
)
def test_selected_rows_are_those_that_match_one_by_one(
    loaded: Loaded, monkeypatch: pytest.MonkeyPatch, chunk: int, wanted: Filter
) -> None:
    from busledger.tui.filters import matches

    monkeypatch.setattr(sources, "CHUNK", chunk)
    cycles, compared = loaded.source.cycles, loaded.source.compared
    expected = [n for n in range(4096) if matches(wanted, cycles.slice(n, n + 1), compared.slice(n, n + 1))[0]]
    rows = last(select_rows(loaded.source, wanted))
    assert rows.tolist() == expected


@given(
    st.lists(st.tuples(st.integers(0, 3), st.sampled_from([0, 0, 1, 2])), min_size=1, max_size=40),
    st.integers(-1, 41),
    st.sampled_from([1, -1]),
    st.sampled_from([(0,), (1,), (0, 1)]),
    st.integers(1, 9),
)
@settings(max_examples=100)
def test_edges_are_where_the_line_differs_from_the_row_before(
    rows: list[tuple[int, int]], ticks: int, step: int, bits: tuple[int, ...], chunk: int
) -> None:
    levels = np.array([[level & ~lost] for level, lost in rows], np.uint64)
    unknown = np.array([[lost] for _, lost in rows], np.uint64)
    capture = Capture(np.arange(len(rows), dtype=np.int64), levels, unknown, 1)
    seen = [["?" if lost >> bit & 1 else level >> bit & 1 for bit in bits] for level, lost in rows]
    edges = [n for n in range(1, len(rows)) if seen[n] != seen[n - 1]]
    beyond = [n for n in edges if (n > ticks if step > 0 else n < ticks)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sources, "DETAIL_ROWS", chunk)
        found = last(find_edge(capture, moved_of(capture, chunk), bits, ticks, step))
    assert found == ((beyond[0] if step > 0 else beyond[-1]) if beyond else None)


def test_a_store_without_cycles_has_ends_and_no_rows(tmp_path: Path) -> None:
    store = make_store(tmp_path / "entry", 0)
    loaded = Loaded.of(FakeSession(store, make_result(store), BOARD))
    assert (loaded.source.total, loaded.first, loaded.last, loaded.span) == (0, 0, 0, 1)
    assert StoreSource(store).at_time(5) == 0
    assert isinstance(lane_search(loaded, state_at(loaded, 0)), str)
