"""Numbers as they are shown."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Flag, Kind
from busledger.tui.wording import (
    flag_words,
    hex_bits,
    kind_word,
    lane_picture,
    lanes_text,
    ranges_text,
    span_text,
    thousands,
    time_text,
)


@pytest.mark.parametrize(
    ("value", "unknown", "bits", "text"),
    [
        (0xAB, 0, 8, "AB"),
        (0xAB, 1, 8, "A?"),
        (0xAB, 0x80, 8, "?B"),
        (0, 0, 16, "0000"),
        (0x1FF, 0, 9, "1FF"),
        (0x5, 0x100, 9, "?05"),
        (0xFFFF, ~0xFF, 8, "FF"),
    ],
)
def test_hex_marks_nibbles_with_an_unknown_bit(value: int, unknown: int, bits: int, text: str) -> None:
    assert hex_bits(value, unknown, bits) == text


@pytest.mark.parametrize(
    ("ticks", "tick_fs", "text"),
    [
        (0, 1, "0 s"),
        (1, 1, "1 fs"),
        (41_666, 1_000_000, "41.666 µs"),
        (-500, 1_000_000, "-500 ns"),
        (1_500, 10**12, "1.5 s"),
        (100, 10**15, "100 s"),
        (2, 500_000, "1 ns"),
    ],
)
def test_spans_take_the_unit_that_fits(ticks: int, tick_fs: int, text: str) -> None:
    assert span_text(ticks, tick_fs) == text


@given(st.integers(-(10**12), 10**12), st.sampled_from([1, 1000, 10**6, 41_666_667]))
@settings(max_examples=100)
def test_a_span_read_back_is_the_span_to_four_digits(ticks: int, tick_fs: int) -> None:
    number, unit = span_text(ticks, tick_fs).split(" ")
    power = {"s": 15, "ms": 12, "µs": 9, "ns": 6, "ps": 3, "fs": 0}[unit]
    read = Decimal(number).scaleb(power)
    assert abs(read - ticks * tick_fs) <= Decimal("0.0005").scaleb(power)


@given(st.integers(0, 10**15), st.sampled_from([1, 1000, 10**6]))
@settings(max_examples=100)
def test_times_are_rounded_once(ticks: int, tick_fs: int) -> None:
    shown = Decimal(time_text(ticks, tick_fs)).scaleb(15)
    assert abs(shown - ticks * tick_fs) <= 500_000  # half a nanosecond


def test_lanes_and_flags_in_words() -> None:
    assert lane_picture(0b00100001, 8) == "··5····0"
    assert lane_picture(1 << 12, 16) == "···2············"
    assert lanes_text(0b100001) == "D0 D5" and lanes_text(0) == "none"
    assert ranges_text(["D4", "D5", "D6", "D7", "A7"]) == "D4-D7 A7"
    assert ranges_text(["D0", "D2", "CS", "D3"]) == "D0 D2 CS D3"
    assert ranges_text([]) == ""
    assert flag_words(Flag.UNSETTLED | Flag.AFTER_GAP) == "unsettled+after-gap"
    assert flag_words(0) == ""
    assert kind_word(Kind.OPCODE_FETCH) == "opcode-fetch" and kind_word(200) == "kind 200"
    assert thousands(1234567) == "1 234 567"
