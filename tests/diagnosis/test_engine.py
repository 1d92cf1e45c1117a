"""What the engine says when there is nothing, too little, or something it does not know."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis import CheckKey, Evidence, ProfileFacts, diagnose
from busledger.decoder.diagnosis.replay.study import Study

from .faulty_cards import Hardware, evidence_of
from .small_cards import log_of, two_banks
from .test_engine_faults import Coupled, SelectExtra, StuckLane


def test_a_healthy_card_is_not_accused():
    found = diagnose(evidence_of(Hardware(np.random.default_rng(1))))
    assert found.suspects == ()
    assert found.unexplained == 0
    assert found.next_steps == ()
    assert {one.component for one in found.cleared} >= {"U1", "U2", "U3", "U4", "U10"}


def test_no_traffic_gives_no_suspects():
    found = diagnose(evidence_of(Hardware(np.random.default_rng(1)), rounds=0))
    assert (found.suspects, found.unexplained) == ((), 0)


def test_random_levels_on_all_lanes_of_both_banks_convict_nothing_but_what_all_of_them_came_through():
    class Storm(Hardware):
        def read(self, address):
            return int(self.rng.integers(256)) if self.rng.random() < 0.02 else self.cells[address]

    found = diagnose(evidence_of(Storm(np.random.default_rng(6))))
    assert {part.component for part in found.parts if part.bad >= 0.5} <= {"U10"}
    assert all(suspect.fault == "unlisted" for suspect in found.suspects if suspect.probability >= 0.5)


def test_lanes_that_arrive_exchanged_speak_against_no_chip():
    """No listed fault exchanges lanes; what is left are the lanes themselves, in the driver that all chips share."""

    class Crossed(Hardware):
        def read(self, address):
            data = self.cells[address]
            return data & 0x7E | (data & 1) << 7 | data >> 7

    found = diagnose(evidence_of(Crossed(np.random.default_rng(6))))
    assert all(part.bad < 0.5 for part in found.parts if part.component in ("U1", "U2", "U3", "U4"))
    assert {lane for suspect in found.suspects for lane in suspect.lanes} == {"D0", "D7"}


def test_with_one_bank_exercised_chip_buffer_and_bus_are_tied():
    """Nothing else went over the lane: no capture of this kind can part them, and the next step must."""

    class Lane(Hardware):
        def read(self, address):
            return self.cells[address] & ~0x20

    evidence = dataclasses.replace(evidence_of(Lane(np.random.default_rng(1)), banks=(0,)), traffic=None)
    found = diagnose(evidence)
    first = found.suspects[0]
    tied = [first, *(s for s in found.suspects if s.rank in first.tied_with)]
    assert {("chip", "U2"), ("buffer", "U10"), ("bus", None)} <= {(s.scope, s.component) for s in tied}
    assert abs(sum(s.probability for s in tied) - 1.0) < 0.02
    parting = [step for step in found.next_steps if step.gain_bits and step.gain_bits > 0.3]
    assert any("bank1" in step.text for step in parting)


def test_the_second_bank_parts_the_chip_from_the_buffer():
    found = diagnose(evidence_of(StuckLane(np.random.default_rng(1))))
    assert {s.component for s in found.suspects} == {"U2"}
    assert found.suspects[0].summary == "U2 or its socket, bank0, D5: reads low where high was written"


def test_without_a_board_file_region_and_lane_are_named():
    board = Board.from_regions("", [Region("0000-000F", 0, 15), Region("0010-001F", 16, 31)])
    found = diagnose(evidence_of(StuckLane(np.random.default_rng(1)), board=board))
    first = found.suspects[0]
    assert (first.fault, first.scope, first.component) == ("stuck-low", "chip", None)
    assert (first.region, first.lanes) == ("0000-000F", ("D5",))


def test_a_few_failures_in_thousands_are_enough_for_the_lane():
    found = diagnose(evidence_of(StuckLane(np.random.default_rng(9), rate=0.02), rounds=60))
    first = found.suspects[0]
    assert (first.component, first.lanes, first.intermittent) == ("U2", ("D5",), True)
    assert first.rate_95[0] < 0.02 < first.rate_95[1]
    assert "1 in" in first.summary
    assert len(first.first_cycles) > 0


@pytest.mark.parametrize("hardware", [StuckLane, SelectExtra, Coupled])
def test_a_log_in_many_blocks_gives_the_same_answer(hardware):
    evidence = evidence_of(hardware(np.random.default_rng(2), 1.0))
    whole = diagnose(evidence)
    pieces = diagnose(dataclasses.replace(evidence, log=InBlocks(evidence.log, 100)))
    assert [s.summary for s in pieces.suspects] == [s.summary for s in whole.suspects]
    assert [s.probability for s in pieces.suspects] == pytest.approx([s.probability for s in whole.suspects])


class InBlocks:
    """A log whose rows come ``size`` at a time."""

    def __init__(self, log, size):
        self._log, self._size = log, size

    def __len__(self):
        return len(self._log)

    def blocks(self):
        for cycles, compared in self._log.blocks():
            for start in range(0, len(cycles), self._size):
                part = slice(start, start + self._size)
                yield cycles.slice(start, min(start + self._size, len(cycles))), compared_part(compared, part)


def compared_part(compared, part):
    fields = dataclasses.fields(compared)
    return type(compared)(**{field.name: getattr(compared, field.name)[part] for field in fields})


def test_of_a_log_too_long_to_hold_the_stretch_with_the_most_wrong_reads_is_weighed(monkeypatch):
    """600 accesses that agree, then 200 of which many do not, then 600 that agree; 250 rows may be held at once."""
    good = [("w" if k % 2 == 0 else "r", k // 2 % 16, k // 2 % 251) for k in range(600)]
    bad = [("w" if k % 2 == 0 else "r", k // 2 % 16, 0xFF if k % 2 == 0 else 0xDF) for k in range(200)]
    log = InBlocks(log_of(two_banks(), [*good, *bad, *good]), 100)
    study = Study(Evidence(two_banks(), ProfileFacts(16, 8), (), log, 1e-9))
    monkeypatch.setattr("busledger.decoder.diagnosis.replay.study._ROWS_IN_MEMORY", 250)
    rows = study.rows()
    assert len(rows) <= 250
    assert set(range(600, 800)) <= set(rows.index.tolist())
    assert np.count_nonzero(rows.wrong) == 100


class Seen:
    """Checks that saw something on a clipped line."""

    cleared = ()

    def __init__(self, ratios):
        self.likelihood_ratios = ratios
        self.sentences = dict.fromkeys(ratios, "seen on its pin")


def test_a_clipped_line_moves_the_probabilities():
    """Chip, buffer and bus are tied; a clip behind the buffer shows its lane working."""

    class Lane(Hardware):
        def read(self, address):
            return self.cells[address] & ~0x20

    evidence = dataclasses.replace(evidence_of(Lane(np.random.default_rng(1)), banks=(0,)), traffic=None)

    def share(found, component):
        return sum(s.probability for s in found.suspects if s.component == component)

    before = diagnose(evidence)
    checks = Seen({CheckKey(None, "buffer", "U10", None, ("D5",)): 1e-4})
    after = diagnose(dataclasses.replace(evidence, checks=checks))
    assert share(before, "U10") > 0.1
    assert share(after, "U10") < 0.001
    assert share(after, "U2") > share(before, "U2")


def test_exchanged_selects_hurt_no_read_but_a_clip_shows_them():
    evidence = evidence_of(Hardware(np.random.default_rng(1)))
    checks = Seen({CheckKey("select-swapped", "decoder", "U9", "bank0"): 1e6})
    found = diagnose(dataclasses.replace(evidence, checks=checks))
    first = found.suspects[0]
    assert (first.fault, first.component, first.explains) == ("select-swapped", "U9", 0)
    assert "seen on its pin" in " ".join(first.evidence)


access = st.tuples(st.sampled_from("rw"), st.integers(0, 3), st.sampled_from([0x00, 0x21, 0xFF]))


@settings(max_examples=100, deadline=None)
@given(st.lists(access, max_size=30))
def test_a_log_that_agrees_with_itself_leaves_nothing_to_weigh(accesses):
    """What lets the weighing be left out never lets a wrong read pass."""
    board = two_banks()
    log = log_of(board, accesses)
    survey = Study(Evidence(board, ProfileFacts(16, 8), (), log, 1e-9))
    if log.all_agree:
        assert survey.survey(survey.blocks()).wrong == 0


def test_the_weighing_left_out_changes_nothing():
    evidence = evidence_of(Hardware(np.random.default_rng(1)))
    assert evidence.log.all_agree
    assert diagnose(dataclasses.replace(evidence, all_agree=True)) == diagnose(evidence)


def test_a_lane_low_once_and_right_at_the_next_read_is_no_lost_write():
    """The same data written in every round: a write that is lost changes nothing, so it cannot be what was seen."""
    rng = np.random.default_rng(5)
    data = {cell: int(rng.integers(256)) | 0x04 for cell in range(32)}
    spoilt = rng.choice(np.arange(16, 32), 5, replace=False).tolist()
    made = []
    for _ in range(10):
        made += [("w", cell, value) for cell, value in data.items()]
        made += [("r", cell, value & ~0x04 if cell in spoilt else value) for cell, value in data.items()]
        made += [("r", cell, value) for cell, value in data.items()]
    log = log_of(two_banks(), made)
    first = diagnose(Evidence(two_banks(), ProfileFacts(16, 8), (), log, 1e-9)).suspects[0]
    assert (first.component, first.lanes, first.intermittent) == ("U3", ("D2",), True)
    assert first.fault in ("stuck-low", "floating")
