"""The polybox: candidate sets as published, their order, and the same marginals in the card frame."""

from __future__ import annotations

import math

import pytest

from tests.reference.polybox import (
    COMPONENTS,
    MINIMAL_CONFLICTS,
    MINIMAL_DIAGNOSES,
    in_the_card_frame,
    minimal_conflicts,
    minimal_diagnoses,
    posterior,
)


def test_conflicts_and_candidates_are_the_published_ones() -> None:
    assert minimal_conflicts() == MINIMAL_CONFLICTS
    assert minimal_diagnoses() == MINIMAL_DIAGNOSES


def test_a_probe_of_x_leaves_what_the_lecture_says() -> None:
    assert minimal_diagnoses({"X": 4}) == {frozenset({"M1"})}
    assert minimal_diagnoses({"X": 6}) == {frozenset({"A1"}), frozenset({"M2", "M3"}), frozenset({"A2", "M2"})}
    assert minimal_conflicts({"X": 6}) == {frozenset({"A1", "M2"}), frozenset({"A1", "A2", "M3"})}


def test_single_faults_come_first_and_tie_and_so_do_the_two_double_ones() -> None:
    after = posterior()
    order = sorted(MINIMAL_DIAGNOSES, key=lambda parts: -after[parts])
    assert set(order[:2]) == {frozenset({"A1"}), frozenset({"M1"})}
    assert after[frozenset({"A1"})] == pytest.approx(after[frozenset({"M1"})])
    assert after[frozenset({"A2", "M2"})] == pytest.approx(after[frozenset({"M2", "M3"})])
    # one more fault, and one more output that nothing predicts
    ratio = after[frozenset({"A1"})] / after[frozenset({"M2", "M3"})]
    assert ratio == pytest.approx(0.99 / 0.01 * 16)
    assert sum(after.values()) == pytest.approx(1.0)
    assert all(any(core <= parts for core in MINIMAL_DIAGNOSES) for parts, p in after.items() if p > 0)


@pytest.mark.parametrize("exact", [True, False])
def test_the_card_frame_gives_the_same_marginals(exact: bool) -> None:
    after = posterior()
    frame = in_the_card_frame(exact)
    for name in COMPONENTS:
        assert frame[name] == pytest.approx(math.fsum(p for parts, p in after.items() if name in parts), rel=2e-4)
