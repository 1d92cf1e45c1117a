"""A chip that is bad in a way not listed: what it is charged for the times at which it fails."""

from __future__ import annotations

import pytest

from busledger.decoder.diagnosis.card import Card

from .rows_of import study_of
from .small_cards import Access


def _fills(rounds: int) -> list[Access]:
    """Cells 0-7 filled with zeros and read twice, then with ones and read four times, again and again."""
    told: list[Access] = []
    for n in range(rounds):
        level, reads = (0xFF, 4) if n % 2 else (0x00, 2)
        for cell in range(8):
            told += [("w", cell, level), *[("r", cell, level)] * reads]
    return told


@pytest.mark.parametrize("rounds", [4, 8, 24])
def test_what_a_strange_chip_did_is_at_no_time_more_than_certain(rounds: int) -> None:
    """D3 is always high: wrong in every read of a zero, never in one of a one. Such stretches are cheap for a habit of
    stretches; the missed chances that reads after a right read are not were then taken off as at one rate throughout,
    and came to more than all of it: the chips of a lane were told one by one, and not what they share."""
    study = study_of(_fills(rounds), lambda _, data: data | 0x08)
    (leaf,) = [leaf for leaf in Card(study, study.rows()).weigh(()).leaves if leaf.count.wrong]
    strange = [state for state in leaf.states if state.faults[0].candidate.fault == "unlisted"]
    assert strange and all(state.log_like <= 0.0 for state in strange)
    assert "stuck-high" in {scored.candidate.fault for scored in leaf.best.faults}
