"""Cycles as CSV and JSON lines: compiled rows against the plain twin, and the contract's words."""

from __future__ import annotations

import csv
import io
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import KIND_NAMES, Cycles, Flag
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.report.cycle_list import Lister
from busledger.decoder.report.cycle_rows import COLUMNS, RowFormat, exact_digits, flag_names
from tests.reference import cycle_rows as twin

NAMES = ["bank0", 'a "quoted", name', "[red]ROM", "<script>", "esc\x1b[2J", "größe"]
SHOWN = [*NAMES[:4], "esc\\x1b[2J", "größe"]


def columns(cycles: list[dict]) -> tuple[np.ndarray, Cycles, Compared]:
    made, compared = Cycles.empty(len(cycles)), Compared.empty(len(cycles))
    for i, c in enumerate(cycles):
        for name in ("time", "address", "address_unknown", "data", "data_unknown", "region"):
            getattr(made, name)[i] = c[name]
        made.kind[i] = KIND_NAMES.index(c["kind"])
        made.flags[i] = sum(1 << flag_names().index(f) for f in c["flags"])
        for name in ("verdict", "expected", "known", "mismatch"):
            getattr(compared, name)[i] = c[name]
    return np.array([c["number"] for c in cycles], np.int64), made, compared


@st.composite
def traffic(draw: st.DrawFn) -> tuple[list[dict], int, int, int]:
    address_bits, data_bits = draw(st.sampled_from([(16, 8), (24, 16), (20, 8), (32, 32), (12, 4), (13, 9)]))
    tick_fs = draw(st.sampled_from([1, 1000, 10**6, 10**8, 10**12, 10**17, 41_666_667, 250_000_000]))
    word = lambda bits: st.integers(0, 2**bits - 1)  # noqa: E731
    latest = min(2**62, 9 * 10**24 // tick_fs)

    @st.composite
    def cycle(draw: st.DrawFn) -> dict:
        address_unknown = draw(st.just(0) | word(address_bits))
        data_unknown = draw(st.just(0) | word(data_bits))
        return {
            "number": draw(st.integers(0, 2**62)),
            "time": draw(st.integers(0, latest)),
            "kind": draw(st.sampled_from(KIND_NAMES)),
            "address": draw(word(address_bits)) & ~address_unknown,
            "address_unknown": address_unknown,
            "data": draw(word(data_bits)) & ~data_unknown,
            "data_unknown": data_unknown,
            "region": draw(st.integers(-1, len(NAMES) - 1)),
            "flags": sorted(draw(st.sets(st.sampled_from(flag_names()))), key=flag_names().index),
            "verdict": draw(st.integers(0, 7)),
            "expected": draw(word(data_bits)),
            "known": draw(st.sampled_from([0, 2**data_bits - 1]) | word(data_bits)),
            "mismatch": draw(word(data_bits)),
        }

    return draw(st.lists(cycle(), max_size=6)), tick_fs, address_bits, data_bits


@settings(max_examples=60, deadline=None)
@given(traffic())
def test_rows_equal_the_plain_twin(drawn: tuple[list[dict], int, int, int]) -> None:
    cycles, tick_fs, address_bits, data_bits = drawn
    rows = RowFormat(NAMES, tick_fs=tick_fs, address_bits=address_bits, data_bits=data_bits)
    expected = twin.rows(cycles, SHOWN, tick_fs, address_bits, data_bits)
    assert b"".join(rows.csv(*columns(cycles))).decode() == twin.as_csv(expected)
    lines = b"".join(rows.jsonl(*columns(cycles))).decode()
    assert twin.as_jsonl_objects(lines) == twin.as_objects(expected)


def test_many_blocks_join() -> None:
    """More rows than one piece holds, all constant."""
    n = (1 << 16) + 3
    cycles, compared = Cycles.empty(n), Compared.empty(n)
    rows = RowFormat([], tick_fs=10**6, address_bits=16, data_bits=8)
    pieces = list(rows.csv(np.arange(n), cycles, compared))
    lines = b"".join(pieces).decode().splitlines()
    assert len(pieces) == 2
    assert len(lines) == n
    assert lines[0] == "0,0.000000000,read,0000,00,,,,"
    assert lines[-1] == f"{n - 1},0.000000000,read,0000,00,,,,"


def test_header_and_words_are_the_contracts() -> None:
    assert RowFormat.csv_header() == b"index,time_s,kind,address,data,region,expected,mismatch,flags\n"
    assert flag_names() == ("unsettled", "unknown", "partial", "after-gap", "short-strobe", "wait")
    assert len(Flag) == len(flag_names())


def test_hostile_region_names_stay_one_field_of_text() -> None:
    cycles, compared = Cycles.empty(len(NAMES)), Compared.empty(len(NAMES))
    cycles.region[:] = range(len(NAMES))
    rows = RowFormat(NAMES, tick_fs=10**6, address_bits=16, data_bits=8)
    text = b"".join(rows.csv(np.arange(len(NAMES)), cycles, compared)).decode()
    assert "\x1b" not in text
    assert [row["region"] for row in csv.DictReader(io.StringIO(text), COLUMNS)] == SHOWN
    lines = b"".join(rows.jsonl(np.arange(len(NAMES)), cycles, compared)).decode().splitlines()
    assert [json.loads(line)["region"] for line in lines] == SHOWN


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1+1", "@SUM(A1)", '=HYPERLINK("a","b")'])
def test_a_name_is_no_formula_in_a_spreadsheet(name: str) -> None:
    """OWASP, "CSV injection": a field that begins with = + - @ is run; an apostrophe before it makes it text."""
    cycles, compared = Cycles.empty(1), Compared.empty(1)
    cycles.region[:] = 0
    rows = RowFormat([name], tick_fs=10**6, address_bits=16, data_bits=8)
    text = b"".join(rows.csv(np.arange(1), cycles, compared)).decode()
    (row,) = csv.DictReader(io.StringIO(text), COLUMNS)
    assert row["region"] == "'" + name
    assert json.loads(b"".join(rows.jsonl(np.arange(1), cycles, compared)))["region"] == name
    lister = Lister(rows, page_rows=1)
    lister.feed(cycles, compared)
    assert lister.page[0][COLUMNS.index("region")] == name


@pytest.mark.parametrize(
    ("tick_fs", "digits"), [(10**6, 9), (10**17, 9), (1000, 12), (1, 15), (250_000_000, 9), (41_666_667, 15), (500, 13)]
)
def test_decimals_are_enough_for_every_tick(tick_fs: int, digits: int) -> None:
    assert exact_digits(tick_fs) == digits
