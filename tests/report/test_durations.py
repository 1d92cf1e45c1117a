"""Times on the command line: exact, both ways, both signs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder.durations import format_duration, parse_duration
from busledger.decoder.errors import UsageError


@pytest.mark.parametrize(
    ("text", "femtoseconds"),
    [
        ("1.25ms", 1_250_000_000_000),
        ("300us", 300_000_000_000),
        ("300µs", 300_000_000_000),
        ("2s", 2 * 10**15),
        ("-.5ns", -500_000),
        ("+7 ps", 7_000),
        ("1.fs", 1),
        ("0s", 0),
        ("0.10000S", 10**14),
    ],
)
def test_spellings(text: str, femtoseconds: int) -> None:
    assert parse_duration(text) == femtoseconds


@pytest.mark.parametrize(
    "text", ["", "12", "ms", ".ms", "1,5ms", "1e3s", "1.5fs", "5 minutes", "\u0665s", "1" * 50 + "s"]
)
def test_what_is_not_a_time_is_refused(text: str) -> None:
    with pytest.raises(UsageError):
        parse_duration(text)


@given(st.integers(-(10**20), 10**20))
def test_format_then_parse_gives_it_back(femtoseconds: int) -> None:
    assert parse_duration(format_duration(femtoseconds)) == femtoseconds
