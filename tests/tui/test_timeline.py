"""Levels as cells: the picture against a plain twin that walks the rows one by one."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Capture
from busledger.decoder.store.writer import StoreWriter
from busledger.tui import timeline
from busledger.tui.timeline import (
    Cell,
    Coarse,
    LevelColumns,
    View,
    column_of,
    columns_of,
    line_cells,
    sample_view,
    value_text,
)
from tests.tui.builders import facts, moved_of


def capture_of(rows: list[tuple[int, int, int]], words: int = 1) -> Capture:
    levels = np.zeros((len(rows), words), np.uint64)
    unknown = np.zeros((len(rows), words), np.uint64)
    for n, (_, level, lost) in enumerate(rows):
        levels[n, words - 1], unknown[n, words - 1] = level & ~lost, lost
    return Capture(np.array([t for t, _, _ in rows], np.int64), levels, unknown, 1)


def plain_cells(rows: list[tuple[int, int, int]], view: View, bit: int) -> list[int]:
    """The same by dictionary and loops: what each column of one line shows."""
    cells = []
    for column in range(view.columns):
        low = math.ceil(view.start + column * view.ticks_per_column)
        high = math.ceil(view.start + (column + 1) * view.ticks_per_column)
        before, after, moves = None, None, 0
        for time, level, lost in rows:
            here = "?" if lost >> bit & 1 else str(level >> bit & 1)
            if time < low:
                before = here
            if time < high:
                if after is not None and after != here and time >= low:
                    moves += 1
                after = here
        if after is None or low > rows[-1][0]:
            cells.append(Cell.OUTSIDE)
        elif after == "?":
            cells.append(Cell.UNKNOWN)
        elif not moves:
            cells.append(Cell.HIGH if after == "1" else Cell.LOW)
        else:
            # Before the first row nothing is known; the picture takes the first row's level for it.
            first = before if before is not None else ("?" if rows[0][2] >> bit & 1 else str(rows[0][1] >> bit & 1))
            if (first == "1") == (after == "1"):
                cells.append(Cell.BUSY)
            else:
                cells.append(Cell.RISE if after == "1" else Cell.FALL)
    return [int(cell) for cell in cells]


def seen(capture: Capture, view: View) -> LevelColumns:
    return sample_view(capture, view, moved_of(capture))


ROWS = st.lists(st.tuples(st.integers(0, 200), st.integers(0, 15), st.sampled_from([0, 0, 0, 1, 6])), min_size=1).map(
    lambda rows: sorted({time: (time, level & ~lost, lost) for time, level, lost in rows}.values())
)


@given(ROWS, st.floats(-50, 250), st.floats(1 / 16, 40), st.integers(1, 60), st.integers(0, 3), st.sampled_from([1, 2]))
@settings(max_examples=100)
def test_cells_equal_the_plain_twins(
    rows: list[tuple[int, int, int]], begin: float, per: float, width: int, bit: int, words: int
) -> None:
    view = View(begin, per, width)
    sampled = seen(capture_of(rows, words), view)
    assert line_cells(sampled, bit + 64 * (words - 1)).tolist() == plain_cells(rows, view, bit)


@given(ROWS, st.floats(-50, 250), st.floats(1 / 16, 40), st.integers(1, 60), st.integers(0, 3), st.integers(1, 9))
@settings(max_examples=100)
def test_from_afar_no_pulse_is_lost(
    rows: list[tuple[int, int, int]], begin: float, per: float, width: int, bit: int, group: int
) -> None:
    """Rows used to be taken evenly: a pulse between two of them was missing from the picture."""
    view, capture = View(begin, per, width), capture_of(rows)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(timeline, "_MOST_ROWS", 0)
        patch.setattr(timeline, "DETAIL_ROWS", group)
        sampled = sample_view(capture, view, moved_of(capture, group))
    assert line_cells(sampled, bit).tolist() == plain_cells(rows, view, bit)


def coarse_of(capture: Capture, group: int, times: NDArray[np.int64]) -> Coarse:
    """Plain twin of what the store keeps: the first of each so many rows, and the cycles before it."""
    firsts = range(0, len(capture), group)
    before = [sum(1 for time in times.tolist() if time < int(capture.time[row])) for row in firsts]
    made = Capture(capture.time[::group], capture.levels[::group], capture.unknown[::group], capture.tick_fs)
    return Coarse(made, np.array(before, np.int64))


@given(ROWS, st.floats(-50, 250), st.floats(1 / 16, 40), st.integers(1, 60), st.integers(0, 3), st.integers(1, 9))
@settings(max_examples=100)
def test_from_very_far_a_change_is_told_in_the_column_of_its_group(
    rows: list[tuple[int, int, int]], begin: float, per: float, width: int, bit: int, group: int
) -> None:
    view, capture = View(begin, per, width), capture_of(rows)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(timeline, "_COARSE_GROUPS", 0)
        patch.setattr(timeline, "DETAIL_ROWS", group)
        coarse = coarse_of(capture, group, capture.time[:0])
        sampled = sample_view(capture, view, moved_of(capture, group), coarse)
        groups = coarse.groups(view)
    if groups is None or max(0, groups[0]) == groups[-1]:
        return  # the view lies before the capture, or within one group
    told = sampled.changed[:, 0] >> np.uint64(bit) & np.uint64(1) == 1
    for row in range(1, len(rows)):
        changes = [rows[row][k] >> bit & 1 != rows[row - 1][k] >> bit & 1 for k in (1, 2)]
        if any(changes) and groups[0] <= row // group <= groups[-1]:
            holds = (np.maximum(groups[:-1], 0) <= row // group) & (row // group <= groups[1:])
            assert (told & holds).any()


def test_an_empty_capture_is_outside_everywhere() -> None:
    sampled = seen(capture_of([]), View(0.0, 1.0, 5))
    assert line_cells(sampled, 0).tolist() == [Cell.OUTSIDE] * 5
    assert value_text(sampled, [3, 2, 1, 0]) == "     "


def test_one_pulse_among_a_million_rows_is_seen(tmp_path: Path) -> None:
    count = 1_000_000
    levels = (np.arange(count) % 2).astype(np.uint64).reshape(-1, 1)
    levels[count // 2 :] |= np.uint64(2)
    levels[123_457] |= np.uint64(4)
    capture = Capture(np.arange(count, dtype=np.int64), levels, np.zeros_like(levels), 1)
    with StoreWriter(tmp_path / "entry") as writer:
        for start in range(0, count, 99_999):
            writer.add_capture(capture.slice(start, min(count, start + 99_999)))
        store = writer.finish(facts())
    sampled = sample_view(store.capture, View(0.0, count / 50, 50), store.moved)
    assert line_cells(sampled, 0).tolist()[1:] == [Cell.BUSY] * 49
    assert line_cells(sampled, 1).tolist() == [Cell.LOW] * 25 + [Cell.RISE] + [Cell.HIGH] * 24
    assert line_cells(sampled, 2).tolist() == [Cell.LOW] * 6 + [Cell.BUSY] + [Cell.LOW] * 43
    # Out of the first rows of groups alone: as good as the rows, and no page of them is fetched.
    coarse = Coarse(store.coarse, store.cycles_before)
    assert coarse.groups(View(0.0, count / 50, 50)) is not None
    again = sample_view(store.capture, View(0.0, count / 50, 50), store.moved, coarse)
    for bit in range(3):
        assert line_cells(again, bit).tolist()[1:] == line_cells(sampled, bit).tolist()[1:]


@pytest.mark.parametrize(
    ("rows", "bits", "text"),
    [
        ([(0, 0xA, 0), (6, 0x5, 0), (12, 0x5, 0)], [3, 2, 1, 0], "A─────│5────"),
        ([(0, 0xA, 0), (6, 0x5, 4), (12, 0x5, 4)], [3, 2, 1, 0], "A─────│?────"),
        ([(0, 0xA, 0), (6, 0x5, 0), (7, 0x4, 0), (12, 4, 0)], [3, 2, 1, 0], "A─────││4───"),
        ([(0, 0b11, 0), (12, 0b11, 0)], [1, 0], "3───────────"),
        ([(3, 0b11, 0), (9, 0b11, 0)], [1, 0], "   │3─────  "),
    ],
)
def test_values_are_written_where_they_fit(rows: list[tuple[int, int, int]], bits: list[int], text: str) -> None:
    assert value_text(seen(capture_of(rows), View(0.0, 1.0, 12)), bits) == text


def test_a_value_wider_than_a_nibble_pads_at_the_top() -> None:
    rows = [(0, 0b101101, 0), (20, 0, 0)]
    assert value_text(seen(capture_of(rows), View(0.0, 1.0, 6)), [5, 4, 3, 2, 1, 0]) == "2D────"


@given(st.integers(0, 1000), st.floats(1 / 16, 40), st.integers(8, 100))
@settings(max_examples=100)
def test_the_middle_of_a_view_is_its_middle_column(middle: int, per: float, width: int) -> None:
    view = View.around(middle, per, width)
    assert column_of(view, middle) in (width // 2, width // 2 - 1)  # the half of a rounding error
    assert column_of(view, int(view.start) - 50) is None


def test_columns_of_cycles_from_very_far_are_those_of_their_groups() -> None:
    times = np.concatenate([np.arange(0, 100_000, 50), np.arange(200_000, 300_000, 50)]).astype(np.int64)
    capture = capture_of([(time, 0, 0) for time in range(0, 300_000, 20)])
    view = View(0.0, 30_000.0, 10)
    coarse = coarse_of(capture, 16, times)
    assert coarse.groups(view) is not None
    assert columns_of(view, times, coarse).tolist() == columns_of(view, times).tolist() == [0, 1, 2, 3, 6, 7, 8, 9]
    assert coarse.groups(View(0.0, 300.0, 10)) is None


def test_columns_of_many_times_are_distinct_and_inside() -> None:
    times = np.arange(0, 1000, 7, dtype=np.int64)
    assert columns_of(View(100.0, 10.0, 3), times).tolist() == [0, 1, 2]
    assert columns_of(View(5000.0, 10.0, 3), times).tolist() == []


def test_bits_that_are_always_low_stand_in_the_value():
    assert value_text(seen(capture_of([(0, 0b01, 0)]), View(0.0, 1.0, 1)), [1, 0, -1]) == "2"
