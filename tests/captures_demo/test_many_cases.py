"""Cards with many bad parts: as many as asked for, each showing beside the others; and how answers are marked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from busledger.captures_demo.world.cases import Case
from busledger.captures_demo.world.many_cases import FEWEST_SHOWN, draw_many, shows_of
from busledger.captures_demo.world.parts_scoring import PartsMark, mark_parts, render_parts
from busledger.captures_demo.world.scoring import Truth, truth_of


@pytest.fixture(scope="module")
def five() -> Case:
    return draw_many(1, 5, cycles=20_000)


@pytest.mark.parametrize("count", [2, 16])
def test_a_card_has_as_many_bad_parts_as_asked_for_and_each_shows(count: int) -> None:
    case = draw_many(3, count, cycles=20_000)
    assert len(case.faults) == len({truth_of(case.machine, fault) for fault in case.faults}) == count
    assert min(shows_of(case)) >= FEWEST_SHOWN
    assert case.run.mismatches == np.count_nonzero(case.run.wrong) > 0


def test_the_same_seed_gives_the_same_card(five: Case) -> None:
    again = draw_many(1, 5, cycles=20_000)
    assert again.faults == five.faults and (again.run.data == five.run.data).all()


@dataclass
class Named:
    """As much of a suspect as marks are made of."""

    rank: int
    scope: str
    component: str | None
    probability: float = 0.9
    tied_with: tuple[int, ...] = ()
    fault: str = "stuck-low"
    region: str | None = None
    lanes: tuple[str, ...] = ()
    address_lines: tuple[str, ...] = ()
    explains: int = 9
    contradicted: int = 0


def chip(name: str) -> Truth:
    return Truth("stuck-low", "chip", name, "bank0", ("D0",), ())


def test_named_missed_and_innocent_parts_are_counted(five: Case) -> None:
    names = [chip.designator for region in five.machine.regions for chip in region.chips]
    one, two, three = names[:3]
    mark = mark_parts(five.machine, [chip(one), chip(two)], [50, 4], [], {one: 0.99, two: 0.4, three: 0.6})
    assert (mark.bad, mark.shown, mark.named, mark.accused, mark.innocent) == (2, 2, 1, 2, [three])
    assert not mark.all_right and (0.99, True) in mark.chances and (0.6, False) in mark.chances
    hidden = mark_parts(five.machine, [chip(one), chip(two)], [50, 3], [], {one: 0.99})
    assert hidden.shown == 1 and hidden.all_right  # two shows in three reads alone


def test_what_has_no_part_is_marked_by_scope_and_lanes(five: Case) -> None:
    bus = Truth("stuck-low", "bus", "", "", ("D3",), ())
    right, wrong = (Named(1, "bus", None, lanes=(lane,)) for lane in ("D3", "D4"))
    assert mark_parts(five.machine, [bus], [50], [right], {}).all_right
    mark = mark_parts(five.machine, [bus], [50], [wrong], {})
    assert mark.named == 0 and mark.innocent == ["stuck-low/bus "]
    assert mark_parts(five.machine, [], [], [Named(1, "clip", None)], {}).all_right  # nothing on the card is accused


def test_a_part_that_is_tied_with_a_true_one_is_not_asked_for(five: Case) -> None:
    names = [chip.designator for region in five.machine.regions for chip in region.chips]
    tied = [Named(1, "chip", names[0], 0.5, (2,)), Named(2, "chip", names[1], 0.5, (1,))]
    whole = mark_parts(five.machine, [chip(names[0])], [50], [], {names[0]: 0.5, names[1]: 0.5})
    mark = mark_parts(five.machine, [chip(names[0])], [50], tied, {names[0]: 0.5, names[1]: 0.5})
    assert len(mark.chances) == len(whole.chances) - 1 and (0.5, False) not in mark.chances


def test_the_table_has_a_row_for_each_count_and_the_brier_score() -> None:
    marks = [
        PartsMark(1, 1, 1, 1, [], [(0.9, True), (0.1, False)]),
        PartsMark(12, 10, 9, 10, ["U3"], [(1.0, True), (0.6, False)]),
    ]  # fmt: skip
    text = render_parts(marks)
    assert [line.split()[0] for line in text.splitlines()[1:4]] == ["1", "9-16", "all"]
    assert "9/10  90.0 %" in text and "1/10  10.0 %" in text
    assert text.splitlines()[1].endswith("0.0100")  # (0.1² + 0.1²) / 2
    assert "0.99-1.00  1.000" in text
