"""A shared fault that comes and goes, seen beside a chip that fails more often than all the others together."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.own_doing import OwnDoing
from busledger.decoder.diagnosis.paths import Beside, propose_paths

from .faulty_cards import LOW_NIBBLE, Hardware
from .rows_of import study_on


class ChipAndLane(Hardware):
    """U1 (D0-D3 of bank 0) reads D1 low half the time; the driver reads D0 high now and then, in both banks."""

    lane = 0.06

    def read(self, address):
        data = int(self.cells[address])
        if address < 16 and self.rng.random() < 0.5:
            data &= ~0x02
        return data | 0x01 if self.rng.random() < self.lane else data


class ChipAlone(ChipAndLane):
    """U1 alone."""

    lane = 0.0


def card_of(hardware):
    study = study_on(hardware(np.random.default_rng(4)), rounds=40)
    return Card(study, study.rows())


def test_what_a_chip_explains_by_itself_is_taken_out_and_nothing_else():
    card = card_of(ChipAlone)
    state = card.weigh(())
    (u,) = np.flatnonzero(state.bad > 0.9)
    own = OwnDoing(card.study, state.rows, {int(u): state.leaves[u]})
    left = own.feed(state.rows)
    assert np.count_nonzero(state.rows.wrong) > 100 and not left.wrong.any()
    dropped = own.dropped(state.rows)
    assert set(dropped[state.rows.wrong != 0].tolist()) == {LOW_NIBBLE}
    assert not dropped[state.rows.wrong == 0].any()
    assert (left.compared | dropped == state.rows.compared).all()


def test_any_part_of_the_rows_can_be_asked_about():
    """A write that never reaches its chip is taken out of the rows before they are asked about."""
    card = card_of(ChipAlone)
    state = card.weigh(())
    (u,) = np.flatnonzero(state.bad > 0.9)
    own = OwnDoing(card.study, state.rows, {int(u): state.leaves[u]})
    some = ~state.rows.is_write
    assert (own.dropped(state.rows.take(some)) == own.dropped(state.rows)[some]).all()


class LosesWritesAndLane(ChipAndLane):
    """U1 loses every second write besides: old contents on all of its lanes, among which D0 is one of four."""

    def write(self, address, data):
        if address < 16 and self.rng.random() < 0.5:
            data = (data & ~LOW_NIBBLE) | (int(self.cells[address]) & LOW_NIBBLE)
        self.put(address, data)

    def read(self, address):
        data = int(self.cells[address])
        return data | 0x01 if self.rng.random() < self.lane else data


def test_a_drivers_lane_explains_the_card_better_beside_the_chip_than_with_all_that_the_chip_does():
    card = card_of(LosesWritesAndLane)
    state = card.weigh(())
    seen = OwnDoing(card.study, state.rows, {0: state.leaves[0]})
    assert card.units[0].name == "U1"
    paths = propose_paths(card.study, state.rows, (), None, [Beside(seen, some=True)])
    lane = [p for p in paths if p.scored.candidate.component == "U10" and p.mask == 1 and not p.scored.hard]
    beside = [card.weigh((p,)).log_total for p in lane if p.blind is seen and p.scored.candidate.fault == "stuck-high"]
    plain = [card.weigh((p,)).log_total for p in lane if p.blind is None]
    assert max(beside) > max(plain) + 5.0


class LaneNeverMoves(ChipAndLane):
    """U1 reads D1 high in every read of cells 8 to 15."""

    def read(self, address):
        data = int(self.cells[address])
        return data | 0x02 if 8 <= address < 16 else data


def test_a_lane_that_never_moves_is_not_looked_at_where_it_reads_right_by_chance_either():
    card = card_of(LaneNeverMoves)
    state = card.weigh(())
    (u,) = np.flatnonzero(state.bad > 0.9)
    dropped = OwnDoing(card.study, state.rows, {int(u): state.leaves[u]}).dropped(state.rows)
    word, read = state.rows.cell, ~state.rows.is_write
    assert (dropped[read & (word >= 8) & (word < 16)] & 0x02 != 0).all()
    assert not dropped[read & ((word < 8) | (word >= 16))].any()
    right = read & (word >= 8) & (word < 16) & (state.rows.wrong == 0)
    assert right.any() and set(dropped[right].tolist()) == {0x02}


class SilentChipAndBank(Hardware):
    """U1 (D0-D3 of bank 0) does not drive three reads in ten; now and then the bank as a whole does not: FF."""

    def read(self, address):
        data = int(self.cells[address])
        if address < 16 and self.rng.random() < 0.05:
            return 0xFF
        return data | LOW_NIBBLE if address < 16 and self.rng.random() < 0.3 else data


def test_where_the_bank_is_seen_not_to_answer_its_bad_chip_is_charged_with_nothing():
    """A chip that failed by chance in just those reads in which another one failed was convicted with it."""
    card = card_of(SilentChipAndBank)
    state = card.weigh(())
    seen = OwnDoing(card.study, state.rows, {0: state.leaves[0]})
    assert card.units[0].name == "U1"
    paths = propose_paths(card.study, state.rows, (), None, [Beside(seen, some=True)])
    silent = [p for p in paths if p.scored.candidate.fault == "no-answer" and p.blind is seen]
    (path,) = [p for p in silent if p.scored.candidate.region == 0 and p.scored.variant.label.endswith("pulled up")]
    left = card.weigh((path,))
    both = (state.rows.region == 0) & (state.rows.wrong & ~np.uint32(LOW_NIBBLE) != 0)
    assert np.count_nonzero(both) > 20 and (state.rows.data[both] == 0xFF).all()
    assert not left.rows.compared[both].any()
    alone = (state.rows.wrong != 0) & ~both
    assert (left.rows.wrong == state.rows.wrong)[alone].all()  # what it did by itself it is still charged with
    assert left.log_total > state.log_total
