"""The whole card, summed: against adding up every combination from the chips' own tables.

Truth: ``tests/reference/brute_force.py``, which knows nothing of this package. It is given, of each set of shared
faults, what each of four chips says: sound, its two likeliest ways to be bad, and all others together.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from busledger.decoder import board as boards
from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.posterior import posterior
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.search import search
from tests.reference.brute_force import SOUND, ChipState, Marginals, marginals

from .faulty_cards import HIGH_NIBBLE, LOW_NIBBLE, Hardware, evidence_of

BETA = tuple(float(v) for v in priors()["leaf"]["bad_share"])


class TwoChipsAndALane(Hardware):
    """U2 reads low on D5, U3 takes no writes, and D1 of the driver U10 reads high now and then."""

    def write(self, address, data):
        self.put(address, data, HIGH_NIBBLE if address >= 16 else 0xFF)

    def read(self, address):
        data = self.cells[address]
        data = data & ~0x20 if address < 16 else data
        return data | 0x02 if self.acts() else data


class FewDoubts(Hardware):
    """A few reads of each bank wrong on D5: two chips, their driver lane, or slips."""

    def read(self, address):
        data = self.cells[address]
        return data & ~0x20 if self.rng.random() < 0.02 else data


def told(leaf: Leaf) -> list[float]:
    """Log of share times likelihood: sound, the two likeliest ways to be bad, the others together."""
    ways = sorted((state.log for state in leaf.states), reverse=True)
    rest = log_sum(ways[2:])
    return [leaf.log_sound, *(ways + [-math.inf] * 2)[:2], rest]


def enumerated(states: list[CardState], odds: tuple[float, ...] = (0.0,) * 4) -> Marginals:
    """All sets of shared faults with all combinations of the four chips' states."""
    chip = [SOUND, ChipState("likeliest"), ChipState("second"), ChipState("others")]
    shared = math.log(3.0)  # the reference shares "bad" out among its states; here the shares are in the tables
    table = []
    for state in states:
        rows = [told(leaf) for leaf in state.leaves]
        rows = [[s, *(v + shared + o for v in ways)] for (s, *ways), o in zip(rows, odds, strict=True)]
        weight = sum(path.log_weight for path in state.paths)
        table.append([[v + weight for v in rows[0]], *rows[1:]])
    top = max(v for rows in table for v in rows[0])
    table = [[[v - top for v in rows[0]], *rows[1:]] for rows in table]
    return marginals([str(k) for k in range(len(states))], [chip] * 4, table, BETA, [1.0] * len(states))


@pytest.mark.parametrize("hardware", [TwoChipsAndALane, FewDoubts])
@pytest.mark.parametrize("seed", [2, 3, 4])
def test_a_card_is_believed_of_as_by_adding_up_every_combination(hardware, seed):
    """Marginals of every chip, and the chance of every set of shared faults, to three digits."""
    study = Study(evidence_of(hardware(np.random.default_rng(seed), 0.05), rounds=6))
    card = Card(study, study.rows())
    states = search(card)[:12]
    # What is thousands of nats behind would only underflow in the enumeration, which knows one scale for all sets.
    states = [state for state in states if state.log_total > states[0].log_total - 500.0]
    assert len(states) > 3 and any(state.paths for state in states)
    truth, found = enumerated(states), posterior(card, states)
    assert found.bad.tolist() == pytest.approx(truth.chip_bad, abs=5e-4)
    assert list(found.chances) == pytest.approx(truth.path, abs=5e-4)


def test_what_a_tester_said_moves_one_chip_and_by_the_enumerated_amount():
    evidence = evidence_of(FewDoubts(np.random.default_rng(2)), rounds=6)
    good = dataclasses.replace(evidence.board, tested=(boards.Tested("U2", "good"),))
    study = Study(dataclasses.replace(evidence, board=good))
    state = Card(study, study.rows()).weigh(())
    truth = enumerated([state], (0.0, math.log(0.1), 0.0, 0.0))  # card._TESTED: a pass is ten to one
    assert state.bad.tolist() == pytest.approx(truth.chip_bad, abs=5e-4)
    before = Card(Study(evidence), study.rows()).weigh(())
    assert state.bad[1] < before.bad[1]


def test_chips_that_a_shared_fault_does_not_touch_are_weighed_as_before():
    study = Study(evidence_of(TwoChipsAndALane(np.random.default_rng(1), 0.05), rounds=6))
    card = Card(study, study.rows())
    alone = card.weigh(())
    for state in search(card):
        for path in state.paths:
            for unit, before, after in zip(card.units, alone.leaves, state.leaves, strict=True):
                if len(state.paths) == 1 and not (unit.mask & path.mask and unit.region in path.regions):
                    assert after is before


def test_wrong_reads_are_counted_by_chip():
    study = Study(evidence_of(TwoChipsAndALane(np.random.default_rng(1), 0.0), rounds=6))
    card = Card(study, study.rows())
    rows = card.rows
    wanted = [np.count_nonzero(rows.wrong[rows.region == u.region] & np.uint32(u.mask)) for u in card.units]
    assert card.wrong_by_unit(rows).tolist() == wanted
    assert [unit.name for unit, n in zip(card.units, wanted, strict=True) if n] == ["U2", "U3"]
    assert [unit.mask for unit in card.units] == [LOW_NIBBLE, HIGH_NIBBLE] * 2


def test_cells_that_fail_at_both_levels_and_on_all_lanes_are_no_stuck_cells():
    """U3 gives random levels: no set of stuck cells does that, and a way not listed must be the likelier one."""

    class Random(Hardware):
        def read(self, address):
            data = self.cells[address]
            return data & HIGH_NIBBLE | int(self.rng.integers(16)) if address >= 16 else data

    study = Study(evidence_of(Random(np.random.default_rng(1)), rounds=10))
    leaf = Card(study, study.rows()).weigh(()).leaves[2]
    assert leaf.unit.name == "U3"
    scattered = [state.log for state in leaf.states if state.faults[0].detail.get("scatter")]
    assert leaf.log_bad > max(scattered, default=-math.inf) + 5.0
