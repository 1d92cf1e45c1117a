"""The compiled coverage counts equal their slow twin on every traffic, in blocks of any size."""

from __future__ import annotations

from collections import Counter

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.coverage import coverage_kernel as kernel
from busledger.decoder.diagnosis.coverage.arrays import Accesses, Regions, State, Sums
from tests.reference.coverage_twin import CoverageTwin

SIZES, ROM = [8, 4, 8], [False, False, True]
COMPARABLE = [[False, True, True], [True, False, False], [True, False, False]]
LANES = 4

row = st.tuples(
    st.sampled_from(["write", "read", "compare", "compare"]),
    st.integers(0, 2),
    st.integers(0, 15),
    st.integers(0, 15),  # data or expected
    st.sampled_from([0, 0, 0, 1, 6]),  # unknown lanes
    st.sampled_from([15, 15, 3, 12]),  # lanes of the transfer
    st.sampled_from([0, 0, 0, 1, 9]),  # wrong lanes
    st.integers(0, 15),  # kept
)


def _bits(mask: int) -> list[int]:
    return [lane for lane in range(LANES) if mask >> lane & 1]


def _twin(rows: list[tuple]) -> CoverageTwin:
    twin = CoverageTwin(SIZES, ROM, COMPARABLE)
    for kind, region, word, data, unknown, lanes, wrong, kept in rows:
        if kind == "write":
            twin.write(region, word, {k: None if unknown >> k & 1 else data >> k & 1 for k in _bits(lanes)})
        elif kind == "read":
            twin.read(region, word)
        else:
            known = lanes & ~unknown
            expected = {k: data >> k & 1 for k in _bits(known)}
            twin.compare(region, word, expected, set(_bits(wrong & known)), [kept >> k & 1 for k in range(LANES)])
    return twin


def _fast(rows: list[tuple], block: int) -> tuple[Counter, set, dict, dict]:
    n = len(rows)
    base = np.cumsum([0, *SIZES[:-1]])
    kinds = np.array([r[0] for r in rows], object)
    region = np.array([r[1] for r in rows], np.int16)
    word, data, unknown, lanes, wrong, kept = (np.array([r[k] for r in rows], np.int64) for k in range(2, 8))
    known = (lanes & ~unknown).astype(np.uint32)
    size = np.array(SIZES, np.int64)
    cell = (base[region] + (word & (size[region] - 1))).astype(np.int32) if n else np.zeros(0, np.int32)
    columns = (
        cell, word, region, kinds == "write", data.astype(np.uint32), unknown.astype(np.uint32),
        lanes.astype(np.uint32), kinds == "compare", data.astype(np.uint32) & known, known,
        wrong.astype(np.uint32) & known, kept.astype(np.uint32),
    )  # fmt: skip
    total, regions, most = sum(SIZES), len(SIZES), 3
    state = (
        np.zeros(total, np.uint32), np.zeros(total, np.uint32), np.zeros(total, np.int64), np.zeros(1, np.int64),
        np.zeros(total, np.uint8), np.full(regions, -1, np.int64),
    )  # fmt: skip
    levels, moves = np.zeros((regions, 2, LANES, 2), np.int64), np.zeros((regions, LANES, 2), np.int64)
    pairs = np.zeros((regions, LANES, LANES), np.int64)
    driven, toggled = np.zeros(regions, np.int64), np.zeros((regions, most), np.int64)
    before, until = np.full((LANES, regions, 2), -1, np.int64), np.zeros((LANES, regions, 2), np.int64)
    alias, apart = np.zeros((regions, 2, most, 2), np.int64), np.zeros((regions, regions), np.int64)
    for start in range(0, n, block):
        accesses = Accesses(*(np.ascontiguousarray(c[start : start + block]) for c in columns))
        by_value = np.zeros((3, 0 if accesses.mismatch.any() else regions, 256), np.int64)
        kernel.observe(
            accesses,
            Regions(base.astype(np.int64), size, np.array([3, 2, 3]), np.array(ROM), np.array(COMPARABLE)),
            State(*state),
            Sums(levels, moves, driven, before, until, pairs, toggled, alias, apart, by_value),
        )
    counts: Counter = Counter()
    for name, array in (("level", levels), ("move", moves), ("driven", driven), ("toggled", toggled), ("pair", pairs),
                        ("alias", alias), ("apart", apart)):  # fmt: skip
        counts.update({(name, *map(int, at)): int(array[tuple(at)]) for at in np.argwhere(array)})
    flags, seen = state[4], set()
    for r in range(regions):
        for offset in range(SIZES[r]):
            flag = flags[base[r] + offset]
            for name, bit in (("written", kernel.WRITTEN), ("read", kernel.READ), ("compared", kernel.COMPARED)):
                if flag & bit:
                    seen.add((name, r, offset))
    wrong_lanes = [lane for lane in range(LANES) if before[lane, 0, 0] >= 0]
    marks = [
        {
            lane: {("level", r, 0, lane, h): int(side[lane, r, h]) for r, h in np.argwhere(side[lane])}
            for lane in wrong_lanes
        }
        for side in (before, until)
    ]
    return counts, seen, *marks


@settings(max_examples=60)
@given(st.lists(row, max_size=80), st.integers(1, 81))
def test_kernel_equals_twin(rows: list[tuple], block: int) -> None:
    twin = _twin(rows)
    assert _fast(rows, block) == (+twin.counts, twin.seen, twin.before, twin.until)


def test_nothing_and_one_value_over_and_over() -> None:
    assert _fast([], 1) == (Counter(), set(), {}, {})
    constant = [("write", 0, 3, 5, 0, 15, 0, 5)] + [("compare", 0, 3, 5, 0, 15, 0, 5)] * 20
    twin = _twin(constant)
    assert _fast(constant, 7) == (+twin.counts, twin.seen, {}, {})
