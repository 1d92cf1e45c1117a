"""Places: each one thing that is wrong, with what it may be instead; what goes beside it has a place of its own."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.faults.candidate import Candidate, Variant
from busledger.decoder.diagnosis.posterior import Item, places_of
from busledger.decoder.diagnosis.replay.lanes_kernel import LOW
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.scoring import Scored


def item(component: str, sets: dict[int, float], mask: int = 0xFF) -> Item:
    """A shared part's fault in region 0, in these sets with these chances."""
    way = Variant(1.0, LaneFault(LOW, mask, (0,)))
    fault = Scored(Candidate("stuck-low", "buffer", component, None, mask, (way,)), way, True, NOTHING)
    return Item(fault, sum(sets.values()), regions=frozenset((0,)), mask=mask, sets=sets)


def told(items):
    """The parts of each place with their chances."""
    found = places_of(items, np.zeros(0))
    return [{i.fault.candidate.component: round(i.probability, 2) for i in place.items} for place in found]


def test_what_stands_in_the_place_of_another_is_its_alternative() -> None:
    assert told([item("U1", {0: 0.7}), item("U2", {1: 0.3})]) == [{"U1": 0.7, "U2": 0.3}]


def test_what_is_beside_another_takes_nothing_from_its_chance() -> None:
    """A lane is bad for certain; the other thing that is wrong may be either of two."""
    lane = item("U1", {0: 0.55, 1: 0.45}, mask=0x40)
    assert told([lane, item("U2", {0: 0.55}), item("U3", {1: 0.45})]) == [{"U1": 1.0}, {"U2": 0.55, "U3": 0.45}]


@pytest.mark.parametrize("shares", [(0.4, 0.35, 0.25)])
def test_a_tie_beside_something_certain_is_a_place_though_none_is_likelier_than_not(shares) -> None:
    lane = item("U1", dict(enumerate(shares)), mask=0x40)
    rest = [item(f"U{k + 2}", {k: share}) for k, share in enumerate(shares)]
    assert told([lane, *rest]) == [{"U1": 1.0}, {"U2": 0.4, "U3": 0.35, "U4": 0.25}]
