"""A few cards of the outside world: healthy ones, one hard fault, many bad parts; answers judged by that world's truth.

The seeds are fixed, the captures short: whether the answers are right on hundreds of cards, ``run`` tells.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from .cards.run import DEFAULT_CALL, one
from .cards.score import Verdict
from .cards.selfcheck import faults_of, make


def verdict(seed: int, kind: str, folder: Path, cycles: int) -> Verdict:
    return one((seed, kind, str(folder), DEFAULT_CALL, "", None, cycles))[0]


@pytest.mark.parametrize(("seed", "kind"), [(2, "healthy"), (3, "single-hard"), (5, "many")])
def test_what_a_capture_holds_is_what_the_world_did(seed: int, kind: str) -> None:
    """Read back by plain means at the data-sheet strobes."""
    assert faults_of(make(seed, kind, cycles=3000)) == []


@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_card_is_accused_of_nothing(seed: int, tmp_path: Path) -> None:
    found = verdict(seed, "healthy", tmp_path, 3000)
    assert found.good and found.said == "" and not any(squared for squared in found.squares)


@pytest.mark.parametrize(
    ("seed", "fault"),
    [(1, "address-bridged/board"), (2, "stuck-low/chip"), (6, "write-lost/chip"), (8, "stuck-high/chip")],
)
def test_one_hard_fault_is_named_first(seed: int, fault: str, tmp_path: Path) -> None:
    found = verdict(seed, "single-hard", tmp_path, 3000)
    assert found.what == fault and found.first and not found.innocent, found.said


@pytest.mark.parametrize(("seed", "bad"), [(3, 12), (5, 2)])
def test_every_one_of_many_bad_parts_is_named_and_no_other(seed: int, bad: int, tmp_path: Path) -> None:
    found = verdict(seed, "many", tmp_path, 6000)
    assert (found.shown, found.named, found.missed, found.innocent) == (bad, bad, [], [])
