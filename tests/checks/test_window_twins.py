"""The kernels that judge cycles in their windows equal their slow twins; blocks of any size give the same windows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import Cycles
from busledger.decoder.capture import Capture
from busledger.decoder.checks import span_kernel
from busledger.decoder.checks.buffers import buffer_kernel
from busledger.decoder.checks.buffers.arrays import Carried, Drivers, PathSums, RegionLines, Served, Sides
from busledger.decoder.checks.buffers.held import held_few
from busledger.decoder.checks.lines import RuleStrobes
from busledger.decoder.checks.placing import place_cycles
from busledger.decoder.checks.selects import region_kernel, seen_kernel
from busledger.decoder.checks.timing import timing_kernel
from busledger.decoder.checks.timing.arrays import ChipLines
from busledger.decoder.checks.windows import NOT_KNOWN, CycleJoin, Windows
from tests.reference import buffer_twin, window_twin
from tests.reference.levels import arrays, captures

LINES = 8


@st.composite
def windows(draw, most=40):
    """Rows and cycles on them: rising sampling edges, each window between its neighbours."""
    rows = draw(captures(LINES, most=most, least=2))
    picked = sorted(draw(st.sets(st.integers(1, len(rows) - 1), min_size=1, max_size=8)))
    cycles = []
    for k, at in enumerate(picked):
        before = picked[k - 1] if k else 0
        after = picked[k + 1] if k + 1 < len(picked) else len(rows)
        cycles.append(
            {
                "at": at,
                "before": before,
                "after": after,
                "begin": draw(st.integers(before, at)),
                "end": at,
                "time": rows[at][0],
                "rule": draw(st.integers(0, 1)),
                "group": draw(st.integers(-1, 1)),
                "region": draw(st.integers(-1, 1)),
                "role": draw(st.integers(-1, 3)),
                "kept": draw(st.integers(0, 3)),
                "stated": draw(st.integers(0, 3)),
                "kind": draw(st.integers(0, 1)),
                "hidden": draw(st.sampled_from([0, 0, 0, 4])),
            }
        )
    return rows, cycles


def column(cycles, name, dtype=np.int64):
    return np.array([c[name] for c in cycles], dtype)


@settings(max_examples=40, deadline=None)
@given(windows(), st.sampled_from([0, 2, 9]))
def test_strobe_spans(case, pause):
    rows, cycles = case
    time, levels, unknown = arrays(rows, LINES)
    # Rule 0: line 0 high and line 1 low, or line 2 high. Rule 1 counts from its begin: line 3 low.
    mask, want = np.array([[0b011], [0b100], [0b1000]], np.uint64), np.array([[0b001], [0b100], [0]], np.uint64)
    low, high = np.array([0, 2]), np.array([2, 3])
    begin, end = np.empty(len(cycles), np.int64), np.empty(len(cycles), np.int64)
    strobes = RuleStrobes(mask, want, low, high, np.array([False, True]), pause)
    rule = column(cycles, "rule", np.uint8)
    before, at, after = (column(cycles, name) for name in ("before", "at", "after"))

    moved, flat = np.zeros((len(cycles), 1), np.uint64), (time, levels.reshape(-1), unknown.reshape(-1))

    def spans(before, known=NOT_KNOWN.begin, every=True):
        span_kernel.strobe_spans(flat, rule, before, at, after, strobes, known, begin, end, moved, every)
        return list(zip(begin, end, strict=True))

    wide = np.zeros_like(before)
    wider = np.array([first for first, _ in spans(wide, every=False)])
    for k in np.flatnonzero(begin < end):
        assert moved[k, 0] == window_twin.moved_twin(rows, 0, begin[k], end[k], LINES)
    found = spans(before, np.where(rule == 0, wider, -1))  # of what is told from its begin no search goes back
    seen = moved[:, 0].tolist()
    assert seen == [window_twin.moved_twin(rows, b, *span, LINES) for b, span in zip(before, found, strict=True)]
    assert found == spans(before)
    assert seen == moved[:, 0].tolist()
    holds = {
        0: lambda v: ((v[0] or 0) == 1 and (v[1] or 0) == 0) or (v[2] or 0) == 1,
        1: lambda v: (v[3] or 0) == 0,
    }
    assert found == window_twin.spans_twin(rows, cycles, holds, {0: False, 1: True}, pause)


@settings(max_examples=40, deadline=None)
@given(windows(), st.integers(0, 9), st.booleans())
def test_where_cycles_lie(case, first_row, told):
    """By the rows that they were sampled in where that is known, and else by their times."""
    rows, wanted = case
    cycles = Cycles.empty(len(wanted))
    cycles.time[:] = column(wanted, "time")
    cycles.sample[:] = column(wanted, "at") + first_row if told else 0
    at = np.empty(len(cycles), np.int64)
    place_cycles(np.array([t for t, _ in rows]), cycles, at)
    assert list(at) == window_twin.placed_twin([t for t, _ in rows], [c["time"] for c in wanted])


def moved_of(rows, cycles):
    moved = [window_twin.moved_twin(rows, c["before"], c["begin"], c["end"], LINES) for c in cycles]
    return np.array(moved, np.uint64).reshape(-1, 1)


def windows_of(rows, cycles) -> Windows:
    before, at, after, begin, end = (column(cycles, name) for name in ("before", "at", "after", "begin", "end"))
    return Windows(*arrays(rows, LINES), before, at, after, begin, end, moved_of(rows, cycles))


@settings(max_examples=60, deadline=None)
@given(windows(), st.sampled_from([0, 2, 20]), st.sampled_from([0, 4]))
def test_selects_by_region(case, skew, width):
    rows, cycles = case
    own, active = [0, 1], [0, 1]
    counts, first = np.zeros((2, 2, 2), np.int64), np.full((2, 2, 2), -1, np.int64)
    late, late_first = np.zeros(2, np.int64), np.full(2, -1, np.int64)
    region_kernel.count_selects(
        windows_of(rows, cycles), column(cycles, "group"), column(cycles, "time"), skew,
        (np.zeros(2, np.int64), np.array([4, 5], np.uint64), np.array([0b110000], np.uint64)),
        np.array(own), np.array(active), counts, first, late, late_first,
        (np.zeros((2, width), np.int64), np.zeros((2, width), np.int64)),
    )  # fmt: skip
    want = window_twin.selects_twin(rows, cycles, [4, 5], own, active, skew)
    for g in range(2):
        for s in range(2):
            assert list(counts[g, s]) == [want[0][g, s, 0], want[0][g, s, 1]]
            assert list(first[g, s]) == [want[1].get((g, s, 0), -1), want[1].get((g, s, 1), -1)]
    assert list(late) == [want[2][0], want[2][1]]
    assert list(late_first) == [want[3].get(0, -1), want[3].get(1, -1)]


@settings(max_examples=60, deadline=None)
@given(windows(), st.sampled_from([0, 2, 20]))
def test_selects_at_the_moment_of_each_cycle(case, skew):
    """Regions 0 and 2 share the first select, region 1 has the second."""
    rows, cycles = case
    time, levels, unknown = arrays(rows, LINES)
    selected, seen = np.zeros(len(cycles), np.uint64), np.zeros(len(cycles), np.uint64)
    seen_kernel.see_selects(
        time, levels, unknown, column(cycles, "at"), column(cycles, "begin"), moved_of(rows, cycles), skew,
        (np.zeros(2, np.int64), np.array([4, 5], np.uint64), np.array([0b110000], np.uint64)), np.array([0, 1]),
        np.array([0b101, 0b010], np.uint64), selected, seen,
    )  # fmt: skip
    for k, (on, off) in enumerate(window_twin.seen_twin(rows, cycles, [4, 5], [0, 1], skew)):
        bits = {0: 0b101, 1: 0b010}
        assert int(selected[k]) == sum(bits[s] for s in on)
        assert int(seen[k]) == sum(bits[s] for s in on | off)


CHIPS = {0: [[4, 5], [6]], 1: [[7], []], -1: [[], []]}
SELECTS = {0: (2, 0), 1: (3, 1), -1: None}


@settings(max_examples=60, deadline=None)
@given(windows(), st.sampled_from([0, 2, 20]), st.sampled_from([0, 2, 9]))
def test_moments(case, skew, limit):
    rows, cycles = case
    address, data = np.array([[0b11]] * 2, np.uint64), np.array([[0b11110000]] * 2, np.uint64)
    chip_mask = np.array([[[0b110000], [0b1000000]], [[0b10000000], [0]], [[0], [0]]], np.uint64)
    moments = np.empty((len(cycles), timing_kernel.M_CHIPS + 2), np.int64)
    chip_lines = ChipLines(
        np.array([0, 0, -1]), np.array([2, 3, 0], np.uint64), np.array([0, 1, 0]), chip_mask,
        chip_mask.any(axis=2).sum(axis=1),
    )  # fmt: skip
    timing_kernel.find_moments(
        windows_of(rows, cycles), column(cycles, "rule", np.uint8),
        column(cycles, "region", np.int16), skew, limit, address, data, chip_lines, moments,
    )  # fmt: skip
    names = ["address", "data", "data after", "address after", "select", ("chip", 0), ("chip", 1)]
    want = window_twin.moments_twin(
        rows, cycles, [0, 1], [4, 5, 6, 7], SELECTS, CHIPS, skew, limit, timing_kernel.UNSURE
    )
    for k, seen in enumerate(want):
        assert [int(v) for v in moments[k]] == [seen.get(name, timing_kernel.ABSENT) for name in names]


@settings(max_examples=30, deadline=None)
@given(captures(LINES), st.sampled_from([-1, 0, 1]))
def test_line_edges(rows, before):
    time, levels, _ = arrays(rows, LINES)
    rises, edges = np.empty(len(rows), np.int64), np.empty(len(rows), np.int64)
    up, every, last = timing_kernel.line_edges(time, levels, 0, np.uint64(3), before, rises, edges)
    was, went_up, changed = before, [], []
    for t, values in rows:
        now = values[3] or 0
        if was >= 0 and now != was:
            changed.append(t)
            went_up += [t] if now else []
        was = now
    assert (list(rises[:up]), list(edges[:every]), last) == (went_up, changed, was)


PINS = [{"direction": (0, 1), "enable": (1, 0)}, {"direction": (2, 0)}]
NAMES = [
    "reads", "writes", "elsewhere of", "reads off", "reads away", "writes off", "writes toward", "elsewhere",
    "overlaps", "longest", "two",
]  # fmt: skip


ROLE = [[[0, 2], [1, 3]], [[2, 0], [3, 1]], [[-1, 2], [3, -1]]]  # region 0, region 1 and outside; kind; buffer
AWAY = [(6, 1), (7, 0), None]


@settings(max_examples=60, deadline=None)
@given(windows(), st.sampled_from([0, 2, 10]), st.sampled_from([0, 8]), st.sampled_from([0, 5]), st.booleans())
def test_controls(case, skew, hold, turn, speaks):
    rows, cycles = case
    pin = np.array([[0, 0, 1, 0, 1, 0], [0, 2, 0, 0, 0, -1]], np.int64)
    tally = np.zeros((2, buffer_kernel.TALLY_SIZE), np.int64)
    firsts = [buffer_kernel.C_FIRST, buffer_kernel.C_OVERLAP_FIRST, buffer_kernel.C_TWO_FIRST]
    tally[:, firsts] = -1
    shared, off = np.array([[True, True], [True, True]]), np.array([True, False])
    drive = np.array([True, speaks])
    roles, earlier = np.zeros((len(cycles), 2), np.int8), np.full(2, -1, np.int8)
    selects = RegionLines(np.zeros(3, np.int64), np.array([6, 7, 0], np.uint64), np.array([1, 0, 2]))
    served = Served(
        column(cycles, "region", np.int16), column(cycles, "kind", np.uint8), column(cycles, "hidden", np.uint32)
    )
    buffer_kernel.watch_controls(
        windows_of(rows, cycles), served, selects, roles, earlier,
        Drivers(
            off, drive, pin, shared, np.array([0b111], np.uint64), np.array(ROLE, np.int8), np.array([False, True]),
            np.zeros(2, np.int64),
        ),
        np.array([0b11000], np.uint64), np.array([0b11100000], np.uint64), skew, hold, turn, tally,
    )  # fmt: skip
    asked = buffer_twin.roles_twin(rows, cycles, ROLE, AWAY)
    assert roles.tolist() == asked
    assert earlier.tolist() == asked[-1]
    for c, role, before in zip(cycles, asked, [[-1, -1], *asked], strict=False):
        c |= {"roles": role, "earlier": before, "write": c["kind"] == 1}
    want, first = buffer_twin.controls_twin(
        rows, cycles, PINS, list(off), list(drive), shared.tolist(), [3, 4], [5, 6, 7], skew, hold, turn
    )
    for b in range(2):
        assert [int(v) for v in tally[b, :11]] == [want[b][name] for name in NAMES]
        assert [int(v) for v in tally[b, firsts]] == [first[b].get(g, -1) for g in ("wrong", "overlap", "two")]
        rest = ("after read", "toward after read", "overlaps of", "two of", "others toward")
        assert [int(v) for v in tally[b, 14:]] == [want[b][name] for name in rest]


@settings(max_examples=60, deadline=None)
@given(windows(), st.sampled_from([0, 2, 10]), st.sampled_from([0, 4, 30]), st.booleans(), st.integers(0, 1))
def test_lane_paths(case, skew, settle, stated, inverting):
    rows, cycles = case
    table, first = np.zeros((2, 4, 2, 2, 2), np.int64), np.full(2, -1, np.int64)
    delay, apart = np.zeros((2, 2, buffer_kernel.BINS), np.int64), np.zeros((2, 2), np.int64)
    zero = np.zeros(2, np.int64)
    buffer_kernel.lane_paths(
        windows_of(rows, cycles), column(cycles, "role", np.int8), column(cycles, "kept", np.uint32),
        column(cycles, "stated", np.uint32), stated,
        Sides(zero, np.array([4, 5], np.uint64), zero, np.array([6, 7], np.uint64)), skew, settle, 4, inverting,
        PathSums(table, first, delay, apart),
    )  # fmt: skip
    want = buffer_twin.paths_twin(
        rows, cycles, [4, 5], [6, 7], stated, skew, settle, 4, buffer_kernel.BINS, buffer_kernel.EARLY_BINS, inverting
    )
    assert {key: int(table[key]) for key in np.ndindex(table.shape) if table[key]} == dict(want[0])
    assert list(first) == [want[1].get(lane, -1) for lane in range(2)]
    assert {key: int(delay[key]) for key in np.ndindex(delay.shape) if delay[key]} == dict(want[2])
    assert {key: int(apart[key]) for key in np.ndindex(apart.shape) if apart[key]} == dict(want[3])


read = st.tuples(
    st.integers(0, 255), st.sampled_from([0, 0, 0, 16]), st.integers(0, 255), st.sampled_from([0x1200, 0x91FF, 0x91FE])
)


@pytest.mark.parametrize("held_lanes", [buffer_kernel.held_lanes, held_few])
@settings(max_examples=40, deadline=None)
@given(st.lists(read, max_size=30), st.integers(1, 31))
def test_held_lanes(held_lanes, reads, block):
    lanes = [0, 4, 7]
    table, words, paged, before = np.zeros((4, 2, 2), np.int64), np.zeros((2, 256), np.int64), 0, np.uint32(0xFFFFFFFF)
    data, unknown, kept, address = (np.array([r[i] for r in reads], np.uint32) for i in range(4))
    for start in range(0, len(reads), block):
        cycles = Carried(*(column[start : start + block] for column in (address, data, unknown, kept)))
        role = np.zeros(len(cycles.data), np.int8)
        paged += held_lanes(role, before, cycles, np.array(lanes), table, words)
        before = cycles.address[-1]
    fresh = [r for k, r in enumerate(reads) if k == 0 or reads[k - 1][3] != r[3]]  # a cell read again says nothing
    want = buffer_twin.held_twin([r[:3] for r in fresh], lanes)
    for place, lane in enumerate([*lanes, None]):
        for was in (0, 1):
            assert list(table[place, was]) == [want[lane, was, 0], want[lane, was, 1]]
    known = [r for r in fresh if not r[1] & 0b10010001]
    for place, column in enumerate((2, 0)):
        given_words = [r[column] & 0b10010001 for r in known]
        assert words[place].tolist() == [given_words.count(word) for word in range(256)]
    assert paged == sum((r[0] ^ r[3] >> 8) & 0b10010001 == 0 for r in known)


@settings(max_examples=60, deadline=None)
@given(captures(LINES, most=60, least=1), st.data(), st.integers(1, 61), st.integers(0, 6))
def test_blocks_of_any_size_give_the_same_windows(rows, data, size, lag):
    picked = sorted(data.draw(st.sets(st.integers(0, len(rows) - 1), max_size=12)))
    time, levels, unknown = arrays(rows, LINES)
    cycles = Cycles.empty(len(picked))
    cycles.time[:] = time[picked]
    none = np.zeros((0, 1), np.uint64)
    strobes = RuleStrobes(none, none, np.zeros(1, np.int64), np.zeros(1, np.int64), np.zeros(1, np.bool_))

    def joined(block):
        join, found, sent = CycleJoin(strobes), [], 0
        for start in range(0, len(rows), block):
            part = slice(start, start + block)
            stop = min(start + block, len(rows))
            # The extractor tells of a cycle some rows after its edge.
            ready = sum(1 for p in picked if p + lag < stop)
            found.append(join.feed(Capture(time[part], levels[part], unknown[part], 1), cycles.slice(sent, ready)))
            found[-1] = _seen(found[-1])
            sent = ready
        found.append(_seen(join.finish(cycles.slice(sent, len(picked)))))
        return [one for part in found for one in part]

    assert joined(size) == joined(len(rows))


def _seen(joined):
    """Every cycle's window as times, independent of where the rows lie."""
    seen = []
    for one in joined:
        time = one.rows.time
        after = [int(time[a]) if a < len(time) else None for a in one.after]
        seen += zip(one.cycles.time, time[one.before], time[one.at], after, strict=True)
    return seen
