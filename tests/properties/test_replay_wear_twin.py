"""Bent reads, decay and coupling: kernels against their slow twins."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import coupling_kernel, decay_kernel, lanes_kernel, replay_kernel
from busledger.decoder.diagnosis.replay.arrays import (
    Aggressors,
    Bends,
    BentCounts,
    BentRows,
    CellRows,
    Charges,
    CouplingCounts,
    DecayCounts,
    Decays,
    Victim,
)
from tests.reference import wear_twin
from tests.reference.wear_twin import Read

few = st.sampled_from([0x00, 0x04, 0x0C, 0x55, 0xFF])
reads = st.lists(
    st.builds(
        Read,
        cell=st.integers(0, 3),
        write=st.booleans(),
        data=few,
        kept=few,
        rest=few,
        expected=few,
        compared=st.sampled_from([0xFF, 0xFF, 0xFB, 0x00]),
        index=st.just(0),
        region=st.integers(0, 1),
    ),
    max_size=40,
)
DOES = {"low": 0, "high": 1, "kept": 2, "and": 3, "or": 4, "card": 5}
TRIGGERS, EFFECTS = ("rises", "falls", "changes", "any write"), ("low", "high", "invert")


def numbered(some: list[Read]) -> list[Read]:
    for i, read in enumerate(some):
        read.index, read.time = i + 5, 7 * i * i + 3
        read.expected &= read.compared
        if read.write:
            read.compared = read.expected = 0
    return some


def column(some: list[Read], name: str, dtype: type = np.uint32) -> np.ndarray:
    return np.array([getattr(r, name) for r in some], dtype)


def cell_rows(part: list[Read]) -> CellRows:
    return CellRows(
        column(part, "cell", np.int32), column(part, "write", np.bool_), column(part, "data"),
        np.full(len(part), 0xFF, np.uint32), column(part, "expected"), column(part, "compared"), column(part, "wrong"),
        column(part, "index", np.int64), column(part, "time", np.int64),
    )  # fmt: skip


def blocks(some: list[Read], size: int) -> list[list[Read]]:
    return [some[i : i + size] for i in range(0, len(some), size)]


@settings(max_examples=60, deadline=None)
@given(reads, st.integers(1, 41))
def test_bent_reads_equal_their_twin(some, size):
    numbered(some)
    wanted = [(r, does, mask, only) for r in (0, 1) for does in DOES for mask in (0x04, 0x0C) for only in (-1, 2)]
    begin, end = np.array([0, len(wanted) // 2]), np.array([len(wanted) // 2, len(wanted)])
    n = len(wanted)
    tally, hashes = np.zeros((n, replay_kernel.TALLY), np.int64), np.zeros(n, np.uint64)
    chances, first = np.zeros((n, replay_kernel.WINDOWS, 2), np.int64), np.zeros((n, 60), np.int64)
    for part in blocks(some, size):
        rows = BentRows(
            column(part, "cell", np.int32), column(part, "region", np.int16), column(part, "write", np.bool_),
            column(part, "kept"), column(part, "rest"), column(part, "expected"), column(part, "compared"),
            column(part, "data"), column(part, "wrong"), column(part, "index", np.int64),
            np.zeros(len(part), np.uint8),
        )  # fmt: skip
        faults = Bends(
            begin, end, np.array([DOES[w[1]] for w in wanted]), np.array([w[2] for w in wanted], np.uint32),
            np.array([w[3] for w in wanted], np.int32),
        )  # fmt: skip
        lanes_kernel.lanes(rows, faults, BentCounts(tally, chances, hashes, first))
    for i, (region, does, mask, only) in enumerate(wanted):
        counts, hash_, seen = wear_twin.lanes([r for r in some if r.region == region], does, mask, only)
        assert tally[i, :4].tolist() == [counts[c] for c in ("hit", "miss", "other", "explained")]
        assert int(hashes[i]) == hash_
        assert first[i, 1 : 1 + first[i, 0]].tolist() == seen
        assert chances[i].sum(axis=0).tolist() == [counts["hit"], counts["miss"] + counts["other"]]


@settings(max_examples=60, deadline=None)
@given(reads, st.integers(1, 41), st.sampled_from([-1, 2]), st.sampled_from([0x04, 0x0F]), st.booleans(), st.booleans())
def test_decay_equals_its_twin(some, size, only, mask, high, refreshes):
    numbered(some)
    stamp, gone = np.full(4, -1, np.int64), np.zeros(4, np.uint8)
    held, lost = np.full(4, -1, np.int64), np.full(4, decay_kernel.NEVER, np.int64)
    tally, ages = np.zeros(5, np.int64), np.zeros((2, decay_kernel.BINS), np.int64)
    hashes, first = np.zeros(decay_kernel.BINS, np.uint64), np.zeros(60, np.int64)
    for part in blocks(some, size):
        decay_kernel.decay(
            cell_rows(part),
            Decays(0, only, np.uint32(mask), high, refreshes),
            Charges(stamp, gone, held, lost),
            DecayCounts(tally, ages, hashes, first),
        )
    counts, by_age, by_bin, seen = wear_twin.decay(some, only, mask, high, refreshes, decay_kernel.BINS_AN_OCTAVE)
    assert tally.tolist() == [counts[c] for c in ("decayed", "other", "explained", "against", "either")]
    spans = wear_twin.own_times(some, only, mask, high, refreshes, decay_kernel.BINS_AN_OCTAVE)
    none = {-1: None, int(decay_kernel.NEVER): None}
    found = [(none.get(k, k), none.get(g, g)) for k, g in zip(held.tolist(), lost.tolist(), strict=True)]
    assert found == spans
    assert {("right", int(b)): int(ages[0, b]) for b in np.flatnonzero(ages[0])} | {
        ("decayed", int(b)): int(ages[1, b]) for b in np.flatnonzero(ages[1])
    } == dict(by_age)
    assert {int(b): int(hashes[b]) for b in np.flatnonzero(hashes)} == {b: h for b, h in by_bin.items() if h}
    assert first[1 : 1 + first[0]].tolist() == seen


@settings(max_examples=40, deadline=None)
@given(reads, st.integers(1, 41))
def test_coupling_equals_its_twin(some, size):
    numbered(some)
    lane, victim, on = 2, 1, np.array([2, 3])
    slot = np.array([0, -1, 1, -1], np.int32)
    shape = (2, len(on) * coupling_kernel.WAYS)
    values, known, belief = np.zeros(2, np.uint32), np.zeros(2, np.uint32), np.full(1, -1, np.int64)
    fired, theory = np.zeros(shape, np.int64), np.zeros(shape, np.int64)
    hard, extra = (np.zeros((*shape, coupling_kernel.TALLY), np.int64) for _ in range(2))
    hashes, since = np.zeros(shape, np.uint64), np.zeros(4, np.uint8)
    failed, right = np.zeros(4, np.int64), np.zeros(4, np.int64)
    for part in blocks(some, size):
        args = (column(part, "cell", np.int32), column(part, "write", np.bool_))
        coupling_kernel.written_between(
            *args, column(part, "compared"), column(part, "wrong"), victim, lane, 0, since, failed, right
        )
        coupling_kernel.couple(
            cell_rows(part),
            Victim(victim, lane, 0, slot, on),
            Aggressors(values, known, belief, fired, theory),
            CouplingCounts(hard, extra, hashes),
        )
    wanted_failed, wanted_right = wear_twin.written_between(some, victim, lane)
    assert ({c: int(n) for c, n in enumerate(failed) if n}, {c: int(n) for c, n in enumerate(right) if n}) == (
        dict(wanted_failed),
        dict(wanted_right),
    )
    for row, aggressor in ((0, 0), (1, 2)):
        for j, on_lane in enumerate(on):
            for t, trigger in enumerate(TRIGGERS):
                for e, effect in enumerate(EFFECTS):
                    h = j * coupling_kernel.WAYS + t * 3 + e
                    always, sometimes, hash_ = wear_twin.couple(
                        some, victim, lane, aggressor, int(on_lane), trigger, effect
                    )
                    names = ("hit", "miss", "other", "explained")
                    assert hard[row, h].tolist() == [always[c] for c in names]
                    assert extra[row, h].tolist() == [sometimes[c] for c in names]
                    assert int(hashes[row, h]) == hash_
