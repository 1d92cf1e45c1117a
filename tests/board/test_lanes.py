"""How lanes are written in a board file, and how they are shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder.board import lane_names, parse_lanes


@pytest.mark.parametrize(
    ("text", "bits"),
    [
        ("D0-D3", (0, 1, 2, 3)),
        ("D7-D4", (7, 6, 5, 4)),
        ("D4", (4,)),
        ("d4", (4,)),
        (["D0", "D5"], (0, 5)),
        (["D0-D1", "D15"], (0, 1, 15)),
        (" D8 - D15 ", tuple(range(8, 16))),
        ("D0-3", (0, 1, 2, 3)),
    ],
)
def test_lanes_are_read_as_written(text: str | list[str], bits: tuple[int, ...]) -> None:
    assert parse_lanes(text) == bits


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is no lane"),
        ([], "no lane at all"),
        ("A0", "is no lane"),
        ("D0-D0-D1", "is no lane"),
        ("D40", "beyond"),
        (["D1", "D0-D2"], "D1 is named twice"),
    ],
)
def test_what_is_no_lane_says_so(text: str | list[str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        parse_lanes(text)


@given(st.sets(st.integers(0, 31), min_size=1))
def test_shown_lanes_read_back_the_same(bits: set[int]) -> None:
    assert parse_lanes(lane_names(sorted(bits)).split(", ")) == tuple(sorted(bits))
