"""What the board file alone told, because address lines are not clipped, convicts no part once it is contradicted."""

from __future__ import annotations

import pytest

from busledger.decoder.diagnosis import assumption_broken, rival_first, rival_ties
from busledger.decoder.findings import Suspect


def suspect(rank: int, **more: object) -> Suspect:
    usual = {
        "fault": "unlisted", "scope": "chip", "component": "U1", "region": "row0", "probability": 1.0, "explains": 90,
        "contradicted": 0, "summary": "U1 is bad",
    }  # fmt: skip
    return Suspect(rank=rank, **{**usual, **more})


LOST = suspect(1, fault="contents-lost", scope="machine", component=None, region=None, summary="row0 lost its contents")
CHIP = suspect(2)


def test_two_memories_that_look_like_one_are_no_bad_chip() -> None:
    refused = assumption_broken([LOST, CHIP], ("row0", "row1"), "A13, A15")
    assert refused is not None
    assert refused.reason.startswith("with A13, A15 not clipped, what looks like row0, row1 on the other lines")
    assert refused.reason.endswith("or row0 lost its contents") and refused.change.startswith("clip A13, A15")


def test_what_is_bad_in_no_listed_way_may_as_well_be_other_memory() -> None:
    """It shows anything at any time, on every lane, as whatever else answers at such addresses does."""
    everywhere = tuple(f"D{lane}" for lane in range(8))
    line = suspect(2, fault="address-stuck", component=None)
    refused = assumption_broken([suspect(1, lanes=everywhere), line], ("row0",), "A13")
    assert refused is not None and refused.reason.endswith("may have more than the board file names, or U1 is bad")
    assert assumption_broken([suspect(1, lanes=everywhere[:4]), line], ("row0",), "A13") is None


def test_what_is_bad_in_no_listed_way_may_be_a_cell_that_was_counted_wrongly() -> None:
    """A3 is not clipped, and which of two cells was meant is told by even steps."""
    everywhere = tuple(f"D{lane}" for lane in range(8))
    refused = assumption_broken([suspect(1, lanes=everywhere)], (), "A3", ("row0", "row1"))
    assert refused is not None and refused.reason.startswith("with A3 not clipped, what looks like one cell of row0")
    assert refused.change.startswith("clip A3, or let the test run")
    stuck = suspect(1, fault="stuck-low", lanes=everywhere)
    assert assumption_broken([stuck], (), "A3", ("row0", "row1")) is None


def test_what_may_be_a_part_as_well_takes_nothing_from_what_else_is_bad() -> None:
    """A region that takes no writes may be protected; the address lines that are bridged are so all the same."""
    protected = LOST.model_copy(update={"fault": "read-only", "probability": 0.52})
    bridged = suspect(2, fault="address-bridged", scope="board", component=None, region=None)
    assert assumption_broken([protected, bridged], ("row0", "row1"), "A13") is None


@pytest.mark.parametrize(
    ("suspects", "assumed"),
    [
        ([LOST, CHIP], ()),  # every line that tells regions apart is clipped
        # the part comes first, and how it is bad is settled
        ([suspect(1, fault="stuck-low"), LOST.model_copy(update={"rank": 2})], ("row0",)),
        ([LOST], ("row0",)),  # nobody is accused
        ([LOST, suspect(2, probability=0.3)], ("row0",)),
        ([LOST, suspect(2, region="row5")], ("row0",)),  # the chip is elsewhere, where selects told
    ],
)
def test_else_the_answer_stands(suspects: list[Suspect], assumed: tuple[str, ...]) -> None:
    assert assumption_broken(suspects, assumed, "A13") is None


def test_a_part_that_ties_with_a_cause_off_the_card_is_not_convicted() -> None:
    """An open write line and a write-protect switch are one to every read."""
    part = suspect(1, fault="write-lost", scope="region", component=None, probability=0.4971, place=1)
    switch = suspect(2, fault="read-only", scope="machine", component=None, probability=0.4970, place=1)
    assert rival_first([part, switch]) is None
    assert rival_ties([part, switch]) == switch


@pytest.mark.parametrize(
    ("part", "rival", "place"),
    [(0.7, 0.29, 1), (0.55, 0.44, 1), (0.48, 0.2, 1), (0.4, 0.4, 2)],
    ids=["the part is likelier", "likelier than not", "far behind", "of another place"],
)
def test_a_rival_that_does_not_tie_leaves_the_verdict(part: float, rival: float, place: int) -> None:
    first = suspect(1, probability=part, place=1)
    assert rival_ties([first, suspect(2, scope="machine", probability=rival, place=place)]) is None
    assert rival_ties([first]) is None
