"""What the bench has said of a part: it moves the belief, and the sentences know of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.board import Board
from busledger.decoder.board import Tested as BenchWord
from busledger.decoder.diagnosis import Diagnosis, diagnose
from busledger.decoder.diagnosis.faults import saying

from .faulty_cards import evidence_of
from .small_cards import two_banks
from .test_engine_faults import StuckLane


def told(*tested: BenchWord, rate: float = 1.0, rounds: int = 40) -> Diagnosis:
    board: Board = replace(two_banks(), tested=tested)
    return diagnose(evidence_of(StuckLane(np.random.default_rng(1), rate), rounds, board=board))


def bad(found: Diagnosis, component: str) -> float:
    return next(part.bad for part in found.parts if part.component == component)


def test_a_replaced_chip_that_still_fails_is_its_socket_or_what_is_wired_to_it() -> None:
    without = told()
    first = told(BenchWord("U2", "replaced")).suspects[0]
    assert without.suspects[0].component == first.component == "U2" and "told" not in without.suspects[0].detail
    assert first.detail["told"] == "replaced"
    assert first.summary.startswith("U2's socket, or what is wired to it")
    assert "(U2 was replaced and still fails)" in first.summary
    assert saying.remedy(first).startswith("clean U2's socket")
    steps = [step.text for step in told(BenchWord("U2", "replaced")).next_steps]
    assert steps[0].startswith("U2 was replaced and still fails: its socket, or what is wired to it.")
    assert not any(step.startswith("Swap U2") or "replace U2" in step for step in steps)


@pytest.mark.parametrize(
    ("result", "who", "known", "step"),
    [
        ("good", "U2 or its socket", "(U2 tested good)", "U2 tested good, and yet fails: its socket first"),
        ("bad", "U2, ", "(U2 tested bad)", "U2 tested bad: replace U2"),
    ],
)
def test_a_tested_chip_is_spoken_of_as_such(result: str, who: str, known: str, step: str) -> None:
    found = told(BenchWord("U2", result))  # type: ignore[arg-type]
    assert found.suspects[0].summary.startswith(who) and known in found.suspects[0].summary
    assert any(one.text.startswith(step) for one in found.next_steps)


def test_the_word_of_the_bench_moves_the_belief_where_the_capture_leaves_it_open() -> None:
    """Three rounds of traffic, a lane that fails now and then: U2, or U10, the driver before it."""
    good = told(BenchWord("U2", "good"), rate=0.05, rounds=3)
    nothing = told(rate=0.05, rounds=3)
    failed = told(BenchWord("U2", "bad"), rate=0.05, rounds=3)
    assert bad(good, "U2") < 0.25 < bad(nothing, "U2") < 0.75 < bad(failed, "U2")
    assert bad(good, "U10") > bad(nothing, "U10") > bad(failed, "U10")


def test_parts_that_fail_nowhere_are_not_accused_by_a_tester_alone() -> None:
    found = told(BenchWord("U3", "bad"))
    assert found.suspects[0].component == "U2" and all(one.component != "U3" for one in found.suspects)
