"""The compiled decoder scan equals its slow twin on every capture, in blocks of any size."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busledger.decoder.checks.selects import select_kernel as kernel
from busledger.decoder.checks.selects.decoder_arrays import DecoderArrays, DecoderLines, DecoderTable, no_patterns
from tests.reference.levels import Row, arrays, captures
from tests.reference.select_twin import SelectTwin

INPUTS, OUTPUTS, STROBE, IDLE = 3, 3, 6, 7
LINES = 9
# Lines 0-2 are inputs, 3-5 outputs, 6 a strobe (active high), 7 says that the bus is idle, 8 is another address line.
ONE_OF_THREE = [[7 ^ (1 << i) if i < 3 else 7] for i in range(8)]
EITHER = [[7 ^ (1 << (i & 1)), 7 ^ (1 << (1 + (i & 1)))] for i in range(8)]


def scanned(
    rows: list[Row], fresh: list[bool], table: list[list[int]], setting: dict, blocks: int, strobes: int = 1
) -> dict:
    time, levels, unknown = arrays(rows, LINES)
    inputs, outputs = np.arange(INPUTS), np.arange(OUTPUTS) + INPUTS
    zero = np.zeros(3, np.int64)
    relevant = np.array([[0b10000111], [0b00111000], [0b01000000], [0b100000000]], np.uint64)
    strobe, idle = np.array([[1 << STROBE]] * strobes, np.uint64).reshape(-1, 1), np.array([[1 << IDLE]], np.uint64)
    last_row = np.zeros(1, np.uint64)
    state = np.zeros(kernel.STATE_SIZE, np.int64)
    state[kernel.MULTI_FIRST] = -1
    per_out = np.full((OUTPUTS, kernel.PER_OUT_SIZE), -1, np.int64)
    counts = {
        "rows": np.zeros(8, np.int64),
        "seen": np.zeros((8, OUTPUTS, 2), np.int64),
        "wrong": np.zeros((8, OUTPUTS), np.int64),
        "first": np.full((8, OUTPUTS), -1, np.int64),
        "delay": np.zeros((OUTPUTS, kernel.BINS), np.int64),
        "widths": np.zeros((OUTPUTS, kernel.BINS), np.int64),
        "glitch": np.zeros((OUTPUTS, kernel.GLITCH_SIZE), np.int64),
    }
    counts["glitch"][:, [kernel.G_FIRST, kernel.G_STROBE_FIRST, kernel.G_LATE_FIRST]] = -1
    lines = DecoderLines(
        relevant, zero, inputs.astype(np.uint64), zero, outputs.astype(np.uint64), strobe, strobe, idle, idle
    )
    table_of = DecoderTable(
        np.array(table, np.int64), setting["open_high"], 7, setting["one_hot"], setting["settle"], setting["skew"],
        setting["bin_ticks"],
    )  # fmt: skip
    patterns, packed = no_patterns()
    arrays_of = DecoderArrays(
        state, per_out, last_row, **counts, met=np.zeros(table_of.words.shape, np.int64), patterns=patterns,
        packed=packed,
    )  # fmt: skip
    room = np.empty(len(rows), np.int32), np.empty(len(rows), np.uint8)
    for start in range(0, len(rows), blocks):
        part = slice(start, start + blocks)
        kernel.scan_decoder(
            time[part], levels[part].reshape(-1), unknown[part].reshape(-1), np.array(fresh[part], np.bool_), lines,
            table_of, arrays_of, *room,
        )  # fmt: skip
    return {"state": state, **counts}


def expected(rows: list[Row], fresh: list[bool], table: list[list[int]], setting: dict, strobes: int = 1) -> SelectTwin:
    twin = SelectTwin(table, OUTPUTS, idle=7, bins=kernel.BINS, early_bins=kernel.EARLY_BINS, **setting)
    for (t, values), new in zip(rows, fresh, strict=True):
        active = strobes > 0 and values[STROBE] == 1
        twin.row(t, values[:3], values[3:6], active, new, values[IDLE] == 1, int(values[8] or 0), strobes > 0)
    return twin


def same(got: dict, twin: SelectTwin) -> None:
    for row in range(8):
        assert got["rows"][row] == twin.rows[row]
        for o in range(OUTPUTS):
            assert list(got["seen"][row, o]) == [twin.seen[row, o, 0], twin.seen[row, o, 1]]
            assert got["wrong"][row, o] == twin.wrong[row, o]
            assert got["first"][row, o] == twin.first.get((row, o), -1)
    for o in range(OUTPUTS):
        assert list(got["delay"][o]) == [twin.delay[o, b] for b in range(kernel.BINS)]
        assert list(got["widths"][o]) == [twin.widths[o, b] for b in range(kernel.BINS)]
        names = ("passing", "unexplained", "strobe")
        assert list(got["glitch"][o, :3]) == [twin.glitch[o, name] for name in names]
        assert got["glitch"][o, kernel.G_FIRST] == twin.when.get((o, "unexplained"), -1)
        assert got["glitch"][o, kernel.G_STROBE_FIRST] == twin.when.get((o, "strobe"), -1)
        assert got["glitch"][o, kernel.G_WIDEST] == twin.glitch[o, "widest"]
        assert got["glitch"][o, kernel.G_LATE] == twin.glitch[o, "late"]
        assert got["glitch"][o, kernel.G_LATE_FIRST] == twin.when.get((o, "late"), -1)
        assert got["glitch"][o, kernel.G_MOVES] == twin.glitch[o, "moves"]
    state = got["state"]
    assert state[kernel.JUDGED] == twin.tally["judged"]
    assert state[kernel.UNJUDGED] == twin.tally["unjudged"]
    assert state[kernel.SHORT] == twin.tally["short"]
    assert state[kernel.MULTI] == twin.tally["multi"]
    assert state[kernel.MULTI_FIRST] == (-1 if twin.multi_first is None else twin.multi_first)


kept_still = [(10 * k, [1, 0, 1, 1, 0, 1, 0, 0, 0]) for k in range(5)]


@settings(max_examples=60, deadline=None)
@given(
    captures(LINES, most=60),
    st.data(),
    st.sampled_from([ONE_OF_THREE, EITHER]),
    st.fixed_dictionaries(
        {
            "open_high": st.sampled_from([0, 0, 2]),
            "one_hot": st.booleans(),
            "settle": st.sampled_from([0, 5, 20]),
            "skew": st.sampled_from([0, 2, 10]),
            "bin_ticks": st.sampled_from([1, 4]),
        }
    ),
    st.integers(1, 61),
    st.integers(0, 1),
)
def test_kernel_equals_twin(rows, data, table, setting, blocks, strobes):
    fresh = [data.draw(st.integers(0, 19)) == 0 for _ in rows]
    same(scanned(rows, fresh, table, setting, blocks, strobes), expected(rows, fresh, table, setting, strobes))


@example(rows=[])
@example(rows=kept_still)
@settings(max_examples=1, deadline=None)
@given(rows=st.just([]))
def test_nothing_and_no_change(rows):
    setting = {"open_high": 0, "one_hot": True, "settle": 5, "skew": 2, "bin_ticks": 1}
    fresh = [False] * len(rows)
    got = scanned(rows, fresh, ONE_OF_THREE, setting, 10)
    same(got, expected(rows, fresh, ONE_OF_THREE, setting))
    assert got["rows"].sum() == 0


@pytest.mark.parametrize("blocks", [1, 2, 3, 61])
def test_an_address_line_that_is_lost_for_a_while_does_not_move(blocks):
    """Wherever the blocks are cut, a pulse is calm or not by the levels of the other address lines alone."""
    rows = [
        (0, [0, 0, 0, 0, 0, 0, 0, 0, 0]),
        *((t, [None, 0, 0, 0, 0, 0, 0, 0, 0]) for t in range(1, 17)),
        (17, [None, 0, 0, 1, 0, 0, 0, 0, 0]),
        (18, [0, 1, 0, 1, 0, 0, 0, 0, None]),
        (20, [0, 1, 0, 0, 0, 0, 0, 0, None]),
        (21, [1, 1, 0, 0, 0, 0, 0, 0, 0]),
        (22, [1, 1, 0, 1, 0, 0, 0, 0, 0]),
        (24, [None, 1, 0, 1, 0, 0, 0, 0, 0]),
    ]
    setting = {"open_high": 0, "one_hot": False, "settle": 0, "skew": 0, "bin_ticks": 1}
    table, fresh = [[6], [5], [3], *([7] for _ in range(5))], [False] * len(rows)
    same(scanned(rows, fresh, table, setting, blocks, 0), expected(rows, fresh, table, setting, 0))
