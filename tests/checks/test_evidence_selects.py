"""What clipped selects tell the diagnosis: from how many cycles on, and how strongly."""

from __future__ import annotations

import pytest

from busledger.decoder.board import Board
from busledger.decoder.checks import CheckKey, gather_evidence
from busledger.decoder.checks.evidence import ChecksEvidence
from busledger.decoder.checks.results import RegionSelect, SelectsResult

CARD = Board("", "card", "6502", ())
MISSING = CheckKey("select-missing", "decoder", None, "bank0")


def ratio_of(cycles: int, missing: int) -> float | None:
    """What is said of bank0's select where it was missing in so many of its cycles."""
    region = RegionSelect(
        region="bank0", select="CS0", active_level=0, cycles=cycles, missing=missing, late=0, extra={}, outside=0
    )
    told = gather_evidence(CARD, SelectsResult(regions=(region,)))
    return told.likelihood_ratios.get(MISSING)


@pytest.mark.parametrize(
    ("cycles", "missing", "ratio"),
    [
        (7, 7, None),  # too few cycles to say anything
        (8, 0, 1e-4),  # seen right every time
        (8, 8, 1e4),
        (100, 2, 30.0),  # a probe's own pulses do that
        (1000, 9, 30.0),
        (1000, 10, 1e4),  # one in a hundred
        (16_392, 13, 30.0),  # an 1802 whose reads were all right: sampled between two parts of its select
    ],
)
def test_a_missing_select_weighs_by_how_often_it_was_missing(cycles: int, missing: int, ratio: float | None) -> None:
    assert ratio_of(cycles, missing) == ratio


@pytest.mark.parametrize("ratios", [(1e-4, 30.0), (30.0, 1e-4)])
def test_of_two_words_on_one_part_the_stronger_stands(ratios: tuple[float, float]) -> None:
    told = ChecksEvidence()
    for ratio in ratios:
        told.add(MISSING, ratio, f"by {ratio}")
    assert told.likelihood_ratios == {MISSING: 30.0} and told.sentences == {MISSING: "by 30.0"}
