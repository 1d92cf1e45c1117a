"""Numbers for reading: two figures where the third would be noise, nothing called certain."""

from __future__ import annotations

import pytest

from busledger.decoder.report.numbers import (
    NO_BREAK,
    between,
    count,
    lane_ranges,
    odds,
    percent,
    plural,
    seconds,
    short_count,
)


def words(text: str) -> str:
    return text.replace(NO_BREAK, " ")


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        (1 / 380, "1 in 380"),
        (24 / 9120, "1 in 380"),
        (1 / 7, "1 in 7"),
        (0.7, "70 in 100"),
        (1.0, "99 in 100"),
        (1 / 18210, "1 in 18 000"),
        (0.0, "never seen"),
        (0.5, "1 in 2"),
    ],
)
def test_odds(rate: float, text: str) -> None:
    assert words(odds(rate)) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.93, "93 %"), (1.0, "over 99 %"), (0.996, "over 99 %"), (0.99, "99 %"), (0.0, "under 1 %")]
)
def test_percent(value: float, text: str) -> None:
    assert words(percent(value)) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.52, "0.52 s"),
        (4.1666e-08, "41.7 ns"),
        (0.0, "0 s"),
        (3.2e-06, "3.2 µs"),
        (0.012, "12 ms"),
        (1234.5, "1234 s"),
        (5e-13, "0.5 ps"),
        (0.1, "0.1 s"),
    ],
)
def test_seconds(value: float, text: str) -> None:
    assert words(seconds(value)) == text


def test_counts() -> None:
    assert words(count(18210)) == "18 210"
    assert count(9100) == "9100"
    assert words(plural(1, "read")) == "1 read"
    assert words(plural(2, "mismatch", "mismatches")) == "2 mismatches"
    assert [short_count(n) for n in (0, 9999, 12345, 999_999, 3_200_000, 5 * 10**9)] == [
        "0", "9999", "12k", "999k", "3M", "5G",
    ]  # fmt: skip


def test_lane_ranges() -> None:
    assert lane_ranges(["D0", "D1", "D2", "D5", "A7", "weird"]) == "D0-D2, D5, A7, weird"
    assert lane_ranges([]) == ""


@pytest.mark.parametrize(
    ("interval", "text"),
    [
        ((1 / 60, 1 / 31), "1 in 60 to 1 in 31"),
        ((0.47, 0.53), "47 to 53 in 100"),
        ((0.72, 1.0), "72 to 99 in 100"),
        ((0.995, 1.0), "99 in 100"),
        ((0.001, 0.7), "1 in 1000 to 70 in 100"),
    ],
)
def test_both_ends_of_an_interval_are_counted_alike(interval: tuple[float, float], text: str) -> None:
    assert words(between(interval)) == text
