"""Which memory test parts the suspects of an earlier result: gains that can be worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.board import load_board
from busledger.decoder.planning import OpenSuspect, choose_exercise
from busledger.decoder.planning.exercise_choice import foretold_outcomes
from busledger.decoder.program import memory_test, memory_tests

BOARDS = Path(__file__).parents[2] / "captures_demo"
LOOM = load_board(BOARDS / "loom" / "board.toml")
PLANETARIUM = load_board(BOARDS / "planetarium" / "board.toml")


def ram(board):
    return [region for region in board.regions if region.kind == "ram"]


def suspect(**how) -> OpenSuspect:
    return OpenSuspect.model_validate({"fault": "stuck-high", "scope": "chip", "probability": 0.5, **how})


def test_a_driver_or_the_chip_behind_it_the_other_chip_tells_one_whole_bit():
    both = [suspect(scope="buffer", component="U12"), suspect(component="U7", region="patterns")]
    found = choose_exercise(LOOM, both, [memory_test("march-c")], ram(LOOM))
    assert found is not None
    assert found.regions == ("picks",)
    assert found.gain == pytest.approx(1.0)
    assert found.open_bits == pytest.approx(1.0)
    assert (
        "If picks fails in many cells: U12 (now 50 %). If picks comes back right: U7 (now 50 %)."
        in found.sentence.replace("\N{NO-BREAK SPACE}", " ")
    )


def test_one_of_three_chips_takes_two_regions_and_the_third_is_what_is_left():
    third = 1 / 3
    three = [suspect(component=f"U{2 * n + 10}", region=name, probability=third)
             for n, name in enumerate(("stars", "planets", "lamps"))]  # fmt: skip
    found = choose_exercise(PLANETARIUM, three, [memory_test("march-c")], ram(PLANETARIUM))
    assert found is not None
    assert len(found.regions) == 2
    assert found.gain == pytest.approx(1.585, abs=0.001)  # log2 3


def test_a_stuck_lane_or_a_stuck_address_line_of_one_chip_the_test_tells():
    """All cells of a walking test hold the same, so that it does not see an address that reaches another's cell."""
    both = [suspect(component="U7", region="patterns"),
            suspect(component="U8", region="patterns", fault="address-stuck")]  # fmt: skip
    march = choose_exercise(LOOM, both, [memory_test("march-c")], ram(LOOM))
    assert march is None
    found = choose_exercise(LOOM, both, memory_tests().test, ram(LOOM))
    assert found is not None
    assert found.test.name in ("walking", "checkerboard", "address", "retention")
    assert found.gain > 0.3


def test_one_cell_or_the_whole_chip_shows_by_how_many_fail():
    both = [
        suspect(component="U7", region="patterns", scope="cell", address=0x123),
        suspect(component="U8", region="patterns"),
    ]
    found = choose_exercise(LOOM, both, [memory_test("march-c")], ram(LOOM))
    assert found is not None
    assert found.gain == pytest.approx(1.0)


def test_two_faults_of_one_part_are_not_worth_a_test():
    """Which fault it is changes nothing about what to replace."""
    one = [suspect(component="U7", region="patterns"), suspect(component="U7", region="patterns", fault="leaky")]
    assert choose_exercise(LOOM, one, memory_tests().test, ram(LOOM)) is None


def test_what_is_no_fault_of_the_card_foretells_nothing():
    clip = [suspect(scope="clip", fault="clip-off", component=None, probability=1.0)]
    assert choose_exercise(LOOM, clip, memory_tests().test, ram(LOOM)) is None


def test_each_place_is_asked_on_its_own():
    """Two things are wrong; the test that parts the suspects of either counts for both."""
    first = [suspect(scope="buffer", component="U12"), suspect(component="U7", region="patterns")]
    second = [suspect(scope="buffer", component="U12", place=2), suspect(component="U7", region="patterns", place=2)]
    alone = choose_exercise(LOOM, first, [memory_test("march-c")], ram(LOOM))
    both = choose_exercise(LOOM, [*first, *second], [memory_test("march-c")], ram(LOOM))
    assert alone is not None and both is not None
    assert both.gain == pytest.approx(2 * alone.gain)


def test_a_suspect_shows_in_every_region_that_its_detail_names():
    """A chip that answers for other rows shows there; a decoder without an enable shows in all rows that it selects."""
    test = memory_test("march-c")
    names = [region.name for region in ram(LOOM)][:2]
    own = suspect(fault="unlisted", component="U7", region=names[0], detail={"answers_for": names[1:]})
    several = suspect(fault="select-missing", scope="decoder", component="U9", detail={"regions": names[:1]})
    reached = [
        [foretold_outcomes(LOOM, one, test, region) != {"right": 1.0} for region in ram(LOOM)[:2]]
        for one in (own, several)
    ]
    assert reached == [[True, True], [True, False]]
