"""Filters and places as a person types them, and what they let through."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Kind
from busledger.decoder.errors import UsageError
from busledger.tui.filters import Filter, filter_fields, matches, parse_address, parse_filter, parse_place, parse_time
from tests.tui.builders import columns

REGIONS = ["bank0", "bank 1", "[red]rom"]


@pytest.mark.parametrize(
    ("text", "femtoseconds"),
    [
        ("2s", 2 * 10**15),
        ("1.25ms", 1_250_000_000_000),
        ("300us", 3 * 10**11),
        ("300 µs", 3 * 10**11),
        ("0.5ns", 500_000),
    ],
)
def test_times_are_exact(text: str, femtoseconds: int) -> None:
    assert parse_time(text, 1) == femtoseconds
    assert parse_time(text, 500_000) == femtoseconds // 500_000


@pytest.mark.parametrize("text", ["", "2", "ms", "1e3s", "-1s", "1.2.3s", "2 hours", "1,5ms"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="is not a time"):
        parse_time(text, 1)


@pytest.mark.parametrize("text", ["4a3f", "0x4A3F", "$4A3F", "4A3Fh", " 4A3F "])
def test_every_spelling_of_an_address(text: str) -> None:
    assert parse_address(text, 16) == 0x4A3F


def test_an_address_beyond_the_bus_is_refused() -> None:
    with pytest.raises(UsageError, match="10000 is beyond the bus; expected at most FFFF"):
        parse_address("10000", 16)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("#1 234", ("cycle", 1234)),
        ("1.25ms", ("time", 1_250_000_000_000)),
        ("abc", ("address", 0xABC)),
        ("10", ("address", 16)),
    ],
)
def test_places(text: str, place: tuple[str, int]) -> None:
    assert parse_place(text, 1, 16) == place


@pytest.mark.parametrize("text", ["#", "#x", "#-1", "over there", "", "[bold]", "\x1b[31m", "#" + "9" * 40])
def test_no_place_is_said_so_and_never_obeyed(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_place(text, 1, 16)
    assert "\x1b" not in str(caught.value)


def test_the_dialogs_fields_make_a_filter_and_back() -> None:
    fields = {
        "region": "BANK 1, [red]rom",
        "kind": "read opcode-fetch",
        "address": "400-4ff",
        "time": "1ms-2.5ms",
        "flag": "wait,unsettled",
        "lane": "D5 d0",
        "only": "wrong",
    }
    made = parse_filter(fields, REGIONS, 1000, 16, 8)
    assert made == Filter(
        regions=frozenset({1, 2}),
        kinds=frozenset({Kind.READ, Kind.OPCODE_FETCH}),
        address=(0x400, 0x4FF),
        time=(10**9, 2_500_000_000),
        flags=33,
        lanes=33,
        only="wrong",
    )
    assert parse_filter(filter_fields(made, REGIONS, 1000), REGIONS, 1000, 16, 8) == made
    assert parse_filter({}, REGIONS, 1000, 16, 8).empty


@pytest.mark.parametrize(
    ("field", "text", "words"),
    [
        ("region", "bank 3", "no region 'bank 3'; expected one of bank 1"),
        ("kind", "fetch", "no kind 'fetch'; expected one of opcode-fetch"),
        ("lane", "D8", "no lane 'D8'"),
        ("flag", "slow", "no flag 'slow'"),
        ("only", "wrogn", "no choice 'wrogn'; expected one of wrong"),
        ("address", "500-400", "ends before it starts"),
        ("time", "5ms", "two times"),
        ("time", "5ms-1ms", "ends before it starts"),
    ],
)
def test_a_mistake_names_what_would_be_right(field: str, text: str, words: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_filter({field: text}, REGIONS, 1000, 16, 8)
    assert words in str(caught.value)


ANY_FILTER = st.builds(
    Filter,
    regions=st.frozensets(st.integers(0, 2), max_size=2),
    kinds=st.frozensets(st.integers(0, 10), max_size=3),
    address=st.none() | st.tuples(st.integers(0, 2047), st.integers(0, 2047)),
    time=st.none() | st.tuples(st.integers(0, 300_000), st.integers(0, 300_000)),
    flags=st.integers(0, 63),
    lanes=st.integers(0, 255),
    only=st.sampled_from(["", "wrong", "compared", "disagree", "stale", "unwritten"]),
)


@given(ANY_FILTER)
@settings(max_examples=60)
def test_a_filter_lets_through_what_its_plain_meaning_says(wanted: Filter) -> None:
    from busledger.decoder.ledger.columns import Verdict

    _, cycles, compared = columns(2000, 2300, 4096)
    words = {
        "wrong": [Verdict.MISMATCH],
        "compared": [Verdict.AGREES, Verdict.MISMATCH],
        "disagree": [Verdict.DISAGREES],
        "stale": [Verdict.STALE],
        "unwritten": [Verdict.UNKNOWN, Verdict.DISAGREES],
    }
    expected = []
    for n in range(len(cycles)):
        expected.append(
            (not wanted.regions or int(cycles.region[n]) in wanted.regions)
            and (not wanted.kinds or int(cycles.kind[n]) in wanted.kinds)
            and (wanted.address is None or wanted.address[0] <= int(cycles.address[n]) <= wanted.address[1])
            and (wanted.time is None or wanted.time[0] <= int(cycles.time[n]) <= wanted.time[1])
            and (not wanted.flags or bool(int(cycles.flags[n]) & wanted.flags))
            and (not wanted.lanes or bool(int(compared.mismatch[n]) & wanted.lanes))
            and (not wanted.only or int(compared.verdict[n]) in words[wanted.only])
        )
    np.testing.assert_array_equal(matches(wanted, cycles, compared), expected)


def test_an_address_that_is_not_wholly_known_is_in_no_range() -> None:
    _, cycles, compared = columns(0, 10, 4096)
    cycles.address_unknown[3] = 1
    assert list(np.flatnonzero(~matches(Filter(address=(0, 2047)), cycles, compared))) == [3]


@pytest.mark.parametrize(("low", "high"), [(0x10, 0x12), (0x12, 0x12), (0x00, 0x11), (0x13, 0x7FF)])
def test_both_ends_of_a_range_of_addresses_belong_to_it(low: int, high: int) -> None:
    _, cycles, compared = columns(0, 8, 4096)
    cycles.address[:] = [0x0F, 0x10, 0x11, 0x12, 0x13, 0x14, 0x7FF, 0x800]
    kept = matches(Filter(address=(low, high)), cycles, compared)
    assert cycles.address[kept].tolist() == [a for a in cycles.address.tolist() if low <= a <= high]


@pytest.mark.parametrize(("start", "end"), [(30, 50), (40, 40), (0, 20)])
def test_both_ends_of_a_span_of_time_belong_to_it(start: int, end: int) -> None:
    _, cycles, compared = columns(0, 6, 4096)
    cycles.time[:] = [10, 20, 30, 40, 50, 60]
    kept = matches(Filter(time=(start, end)), cycles, compared)
    assert cycles.time[kept].tolist() == [t for t in (10, 20, 30, 40, 50, 60) if start <= t <= end]


def test_words_of_a_filter_escape_names() -> None:
    assert Filter(regions=frozenset({0}), only="wrong", lanes=32).words(["a\x1bb"]) == "wrong in a\\x1bb lane D5"
