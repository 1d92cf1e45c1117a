"""Two runs of one program find each other's cycles, over what was inserted, lost or changed."""

from __future__ import annotations

import difflib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import Cycles, Kind
from busledger.decoder.planning import align, comparable


def program(length: int, seed: int = 1) -> np.ndarray:
    """A run as rows of ``comparable``: a loop over a table, as a memory test makes."""
    rng = np.random.default_rng(seed)
    cycles = Cycles.empty(length)
    step = np.arange(length)
    cycles.kind[:] = np.where(step % 7 == 6, Kind.WRITE, Kind.READ)
    cycles.address[:] = np.where(step % 7 == 6, 0x4000 + step // 7 % 1024, 0xF000 + step % 7)
    cycles.data[:] = rng.integers(0, 256, length)
    return comparable(cycles, 0xFFFF, 0)


def test_a_different_start_is_found():
    whole = program(9000)
    found = align(whole, whole[1234:])
    assert found.share == 1.0
    assert set((found.first - found.second).tolist()) == {1234}
    assert found.stretches() == [(0, 1234)]


def test_an_interrupt_in_one_run_is_stepped_over():
    whole = program(6000)
    service = program(40, seed=9)
    service[:, 1] += 0x0800
    other = np.concatenate([whole[:3000], service, whole[3000:]])
    found = align(whole, other)
    assert len(found.first) == 6000
    assert found.second[2999] == 2999 and found.second[3000] == 3040


def test_rows_that_two_alignments_could_claim_stay_without_a_partner():
    # Twenty equal cycles in one run, twenty-three in the other: nobody can say which three are extra.
    before, after = program(700, seed=2), program(700, seed=3)
    before[:, 1] += 0x100
    after[:, 1] += 0x900
    loop = np.repeat(program(1), 23, axis=0)
    found = align(np.concatenate([before, loop[:20], after]), np.concatenate([before, loop, after]))
    assert len(found.first) == 1400
    assert found.stretches() == [(700, 720)]


def test_a_changed_cycle_loses_only_itself():
    whole = program(4000)
    other = whole.copy()
    other[2000, 1] ^= 0x10
    found = align(whole, other)
    assert found.stretches() == [(2000, 2001)]


def test_two_programs_that_share_nothing_are_not_forced_together():
    other = program(3000)
    other[:, 1] += 0x10000
    assert len(align(program(3000), other).first) == 0
    assert align(program(0), other).share == 0.0


edits = st.lists(st.tuples(st.sampled_from(["insert", "lose", "change"]), st.floats(0.05, 0.95)), max_size=5)


@settings(max_examples=40, deadline=None)
@given(edits, st.integers(0, 1000))
def test_planted_edits_are_recovered_as_well_as_an_exact_matcher_does(edits, seed):
    """Against difflib's SequenceMatcher (Python standard library, Ratcliff and Obershelp) on rows that are all
    distinct, where the best alignment is the planted one. A pair is never wrong; a stretch of a few rows
    between two edits may be left out, where stepping over both costs more than it earns."""
    rng = np.random.default_rng(seed)
    whole = np.zeros((600, 5), np.int64)
    whole[:, 1] = rng.permutation(600)
    other, origin = whole.copy(), np.arange(600)
    for what, place in edits:
        at = int(place * len(other))
        if what == "insert":
            extra = np.zeros((3, 5), np.int64)
            extra[:, 1] = 10_000 + rng.integers(0, 1000, 3)
            other = np.insert(other, at, extra, axis=0)
            origin = np.insert(origin, at, [-1, -1, -1])
        elif what == "lose":
            other, origin = np.delete(other, [at, at + 1], axis=0), np.delete(origin, [at, at + 1])
        else:
            other[at, 1], origin[at] = 20_000 + at, -1
    found = align(whole, other)
    assert all(origin[j] == i for i, j in zip(found.first, found.second, strict=True))
    exact = difflib.SequenceMatcher(None, whole[:, 1].tolist(), other[:, 1].tolist(), autojunk=False)
    best = sum(block.size for block in exact.get_matching_blocks())
    assert best - 8 * len(edits) <= len(found.first) <= best


@pytest.mark.parametrize("masks", [(0xFFFF, 0xFF), (0x000F, 0x00), (0, 0)])
def test_unknown_bits_agree_with_anything(masks):
    cycles = Cycles.empty(2)
    cycles.address[:] = [0x12, 0x10]
    cycles.address_unknown[1] = 0x02
    rows = comparable(cycles, *masks)
    assert len(align(rows[:1], rows[1:]).first) in (0, 1)
    assert not (rows[:, 1] & rows[:, 2]).any()
