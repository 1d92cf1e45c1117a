"""A shared fault laid over the rows: what it explains is gone; the rest is judged against the card that has it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.overlay import Blind, FoundFault, composes, hides, lanes_apart
from busledger.decoder.diagnosis.replay.replay import NOTHING
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import Decay, PathFault
from busledger.decoder.diagnosis.rivals.rival import NotJudged
from busledger.decoder.diagnosis.scoring import Scored

from .faulty_cards import HIGH_NIBBLE, Hardware
from .rows_of import acting, candidate, laid_over, study_of, study_on
from .small_cards import log_of, two_banks
from .test_engine_faults import CardAddress, Coupled, SelectExtra, SelectMissing


# -- chips that are not looked at ------------------------------------------------
def test_a_chip_left_out_is_neither_compared_nor_wrong_and_all_else_stays():
    told = [("w", 3, 0x00), ("r", 3, 0x21), ("w", 17, 0x00), ("r", 17, 0x21)]
    rows = study_of(told).rows()
    found = laid_over(Blind({0: HIGH_NIBBLE}, 2), rows)
    assert found.wrong.tolist() == [0, 0x01, 0, 0x21]
    assert found.compared.tolist() == [0, 0x0F, 0, 0xFF]
    assert Blind({0: HIGH_NIBBLE}, 2).dropped(rows).tolist() == [HIGH_NIBBLE, HIGH_NIBBLE, 0, 0]


def test_a_fault_that_comes_and_goes_is_judged_on_the_other_chips_and_leaves_the_blind_one_alone():
    """D1 of the driver reads high; U2 (D4-D7 of bank 0) is bad by itself and not looked at."""
    study = study_of([("w", 3, 0x00), ("r", 3, 0x82), ("w", 17, 0x00), ("r", 17, 0x82)])
    fault = acting(candidate(study, "stuck-high", "buffer", component="U10", lanes=0x02), hard=False)
    rows = study.rows()
    assert laid_over(FoundFault(fault, study, Blind({0: HIGH_NIBBLE}, 2)), rows).wrong.tolist() == [0, 0x80, 0, 0x80]


def test_a_row_that_does_not_answer_now_and_then_takes_of_a_blind_chip_what_it_shows_too_and_no_more():
    """The lanes are pulled up: FF is the row's doing on all of them; 5F is so on U1's, and U2 gave its 5 itself."""
    study = study_of([("w", 3, 0x00), ("r", 3, 0xFF), ("w", 5, 0x00), ("r", 5, 0x5F)])
    silent = candidate(study, "no-answer", "region", region=0)
    way = next(k for k, v in enumerate(silent.variants) if v.label == "the lanes are pulled up")
    fault = acting(silent, hard=False, way=way)
    found = laid_over(FoundFault(fault, study, Blind({0: HIGH_NIBBLE}, 2)), study.rows())
    assert found.wrong.tolist() == [0, 0, 0, 0x50]


# -- lanes: a fault that hides ----------------------------------------------------
def test_behind_a_lane_that_never_moves_nothing_is_seen():
    """Stuck low each time: reads say nothing of D1 any more, right or wrong; the other lanes are as they were."""
    study = study_of([("w", 3, 0x07), ("r", 3, 0x01), ("r", 3, 0x07)])
    fault = acting(candidate(study, "stuck-low", "buffer", component="U10", lanes=0x02), hard=True)
    assert hides(fault) and composes(fault)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.wrong.tolist() == [0, 0x04, 0]
    assert found.compared.tolist() == [0, 0xFD, 0xFD]


def test_a_lane_that_is_low_now_and_then_takes_the_reads_that_it_can_have_spoilt_and_no_others():
    """Low for high on D1 it explains; high for low on D1, and anything on D2, it does not."""
    told = [("w", 3, 0x02), ("r", 3, 0x00), ("w", 3, 0x00), ("r", 3, 0x02), ("w", 3, 0x06), ("r", 3, 0x02)]
    study = study_of(told)
    fault = acting(candidate(study, "stuck-low", "buffer", component="U10", lanes=0x02), hard=False)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.wrong.tolist() == [0, 0, 0, 0x02, 0, 0x04]
    assert found.compared.tolist() == study.rows().compared.tolist()


# D1 and D5 of the driver shorted: both read low where either should be.
def shorted(study):
    lanes = candidate(study, "bridged", "buffer", component="U10", lanes=0x22)
    return acting(lanes, hard=False, way=[v.label for v in lanes.variants].index("both read the AND"))


def test_a_short_now_and_then_takes_no_read_that_gives_what_it_would_not():
    """The short would give both low: with D5 high besides it is not what spoilt the read."""
    study = study_of([("w", 3, 0x02), ("r", 3, 0x00), ("r", 3, 0x20)])
    assert laid_over(FoundFault(shorted(study), study), study.rows()).wrong.tolist() == [0, 0, 0x22]


def test_a_short_in_every_read_shows_what_its_chips_gave_as_far_as_the_lanes_decide_nothing():
    """D1 and D5, low wins. Both high: each chip gave high. Low where D1 alone should be: it was, and D5 is not known.
    Low where both should be high: one of them is wrong, unless another lane tells that the read went wrong as a whole.
    """
    told = [("w", 3, 0x02), ("r", 3, 0x22), ("r", 3, 0x00), ("w", 3, 0x22), ("r", 3, 0x00), ("r", 3, 0x01)]
    study = study_of(told)
    lanes = candidate(study, "bridged", "buffer", component="U10", lanes=0x22)
    fault = acting(lanes, hard=True, way=[v.label for v in lanes.variants].index("both read the AND"))
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.wrong.tolist() == [0, 0x20, 0, 0, 0x22, 0x01]
    assert found.compared.tolist() == [0, 0xFF, 0xFD, 0, 0xFF, 0xDD]
    assert lanes_apart(fault, study.rows()) == 0


def test_lanes_that_differ_speak_against_a_short_in_every_read():
    study = study_of([("w", 3, 0x02), ("r", 3, 0x02), ("r", 3, 0x22), ("r", 3, 0x20)])
    lanes = candidate(study, "bridged", "buffer", component="U10", lanes=0x22)
    assert lanes_apart(acting(lanes, hard=True), study.rows()) == 2


def test_a_write_lost_now_and_then_tells_nothing_of_a_chip_that_is_not_looked_at():
    """U2 (D4-D7 of bank 0) is bad by itself. D1 shows that the write was lost, so that nobody knows what U2 held in
    that read; in the next one, before which no write was lost, D5 is U2's own doing."""
    study = study_of([("w", 3, 0x00), ("w", 3, 0x02), ("r", 3, 0x20), ("w", 3, 0x04), ("r", 3, 0x24)])
    lost = acting(candidate(study, "write-lost", "region", region=0), hard=False)
    fault = FoundFault(lost, study, Blind({0: HIGH_NIBBLE}, 2))
    assert laid_over(fault, study.rows()).wrong.tolist() == [0, 0, 0, 0, 0x20]


# -- addresses: a fault that moves ------------------------------------------------
class CardSeesA2Low(Hardware):
    """U11 holds A2 low; D5 of bank 0 reads low besides, where ``too``."""

    too = False

    def write(self, address, data):
        self.put(address & ~4, data)

    def read(self, address):
        data = self.cells[address & ~4]
        return data & ~0x20 if self.too and address < 16 else data


def a2_low(study):
    return acting(candidate(study, "address-stuck", "board", component="U11", lines=(2,)), hard=True)


def test_a_stuck_address_line_explains_all_it_does_and_shows_the_cells_that_were_reached():
    study = study_on(CardSeesA2Low(np.random.default_rng(1)))
    rows = study.rows()
    assert np.count_nonzero(rows.wrong) > 50
    fault = a2_low(study)
    assert composes(fault) and not hides(fault)
    found = laid_over(FoundFault(fault, study), rows)
    assert not found.wrong.any()
    assert (found.cell == rows.cell & ~4).all()
    assert len(found) == len(rows) and np.count_nonzero(found.compared) > 100


def test_what_the_bus_meant_stays_known_of_accesses_that_a_fault_leads_to_another_region():
    """A4, which tells the banks apart, is stuck low on the card: bank 1 is bank 0. What clipped selects showed for
    bank 1 says nothing of bank 0, and a place of bank 0 that is no memory is not where the program reads."""
    study = study_of([("w", 17, 0x55), ("r", 17, 0x55), ("w", 3, 0x0F), ("r", 3, 0x0F)])
    fault = acting(candidate(study, "address-stuck", "board", lines=(4,)), hard=True)
    seen = np.full(4, 0b11, np.uint64)
    rows = replace(study.rows(), selected=np.array([2, 2, 1, 1], np.uint64), selects_seen=seen)
    led = laid_over(FoundFault(fault, study), rows)
    assert led.region.tolist() == [0, 0, 0, 0] and led.asked.tolist() == [17, 17, 3, 3]
    assert led.selects_seen.tolist() == [0, 0, 0b11, 0b11]
    device = np.arange(study.cells.total) < 16
    assert (NotJudged(device).feed(led).compared != 0).tolist() == [False, True, False, False]


def test_behind_a_stuck_address_line_a_bad_lane_of_one_chip_stands_out_alone():
    hardware = CardSeesA2Low(np.random.default_rng(1))
    hardware.too = True
    study = study_on(hardware)
    found = laid_over(FoundFault(a2_low(study), study), study.rows())
    assert set(found.wrong.tolist()) == {0, 0x20}
    assert set(found.region[found.wrong != 0].tolist()) == {0}
    right_ones = (found.compared & found.expected & 0x20 != 0) & (found.region == 0)
    assert (found.wrong[right_ones] == 0x20).all()


def test_two_shorted_address_lines_lead_accesses_to_the_and():
    study = study_on(CardAddress(np.random.default_rng(1), 1.0))
    fault = acting(candidate(study, "address-bridged", "board", component="U11", lines=(1, 3)), hard=True)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert not found.wrong.any()
    assert {int(c) & 0b1010 for c in found.cell} == {0, 0b1010}


# -- writes: a fault that drops -----------------------------------------------------
class NoWrites(Hardware):
    """Bank 0 takes no writes from the start."""

    def write(self, address, data):
        if address >= 16:
            self.put(address, data)


def test_writes_that_never_reach_their_chips_are_taken_out_of_the_rows_but_for_what_each_cell_held():
    study = study_on(NoWrites(np.random.default_rng(1)))
    fault = acting(candidate(study, "write-lost", "region", region=0), hard=True)
    assert composes(fault) and not hides(fault)
    rows = study.rows()
    found = laid_over(FoundFault(fault, study), rows)
    assert np.count_nonzero(rows.wrong) > 50 and not found.wrong.any()
    writes = found.is_write & (found.region == 0)
    assert np.unique(found.cell[writes], return_counts=True)[1].max() == 1
    reads = rows.data[~rows.is_write & (rows.region == 0)], rows.cell[~rows.is_write & (rows.region == 0)]
    for cell, level in zip(found.cell[writes].tolist(), found.data[writes].tolist(), strict=True):
        assert (reads[0][reads[1] == cell] == level).all()


def test_what_a_chip_gives_otherwise_than_most_reads_of_a_cell_that_takes_no_writes_is_wrong():
    """The cell holds 0x21 whatever is written; one read of five gives 0x61. Of two that differ the first one holds."""
    told = [("w", 3, 0x00), ("r", 3, 0x21), ("w", 3, 0xFF), ("r", 3, 0x61), ("r", 3, 0x21), ("w", 3, 0x01),
            ("r", 3, 0x21), ("r", 3, 0x21), ("w", 4, 0x00), ("r", 4, 0x01), ("r", 4, 0x02)]  # fmt: skip
    study = study_of(told)
    fault = acting(candidate(study, "write-lost", "region", region=0), hard=True)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.is_write.tolist() == [True, False, False, False, False, False, True, False, False]
    assert found.wrong.tolist() == [0, 0, 0x40, 0, 0, 0, 0, 0, 0x03]
    assert found.compared[[1, 2, 3]].tolist() == [0, 0xFF, 0xFF]


def test_reads_that_no_chip_can_answer_are_the_fault_s_own():
    """The card sees A5 high: nothing there answers. The bus keeps what was written, which the first read gives; what
    the second gives the fault does not foretell, and no chip is charged with either."""
    study = study_of([("w", 3, 0x55), ("r", 3, 0x55), ("w", 19, 0x11), ("r", 19, 0x33)])
    away = candidate(study, "address-stuck", "board", lines=(5,))
    level = [v.label for v in away.variants].index("the part sees A5 high whatever the bus says")
    leads = away.variants[level].behaviour._replace(op="forced-board", regions=(0, 1))  # as where others still answer
    fault = replace(acting(away, hard=True), variant=away.variants[level]._replace(behaviour=leads))
    overlay = FoundFault(fault, study)
    found = laid_over(overlay, study.rows())
    assert not found.compared[~found.is_write].any()
    assert (overlay.lost, overlay.lost_wrong) == (2, 1)


# -- selects -------------------------------------------------------------------------
def test_a_region_without_its_select_shows_nothing_of_its_chips():
    study = study_on(SelectMissing(np.random.default_rng(1), 1.0))
    fault = acting(candidate(study, "select-missing", "decoder", component="U9", region=1), hard=True)
    assert hides(fault)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert not found.wrong.any()
    reads = ~found.is_write
    assert not found.compared[reads & (found.region == 1)].any()
    assert found.compared[reads & (found.region == 0)].any()


def test_a_select_that_comes_twice_is_played_but_the_chips_behind_it_are_not():
    study = study_on(SelectExtra(np.random.default_rng(1), 1.0))
    fault = acting(candidate(study, "select-extra", "decoder", component="U9", region=0, other=1), hard=True)
    assert not composes(fault) and not hides(fault)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert not found.wrong.any()


def test_a_cell_s_own_fault_is_not_laid_over():
    study = study_on(Coupled(np.random.default_rng(1)))
    chip = candidate(study, "leaky", "chip", component="U1")
    assert isinstance(chip.variants[0].behaviour, Decay)
    with pytest.raises(TypeError, match="weighed with its chip"):
        FoundFault(Scored(chip, chip.variants[0], True, NOTHING), study)


# -- whatever the fault ----------------------------------------------------------------
access = st.tuples(st.sampled_from("rrw"), st.sampled_from([0, 1, 4, 5, 16, 20]), st.sampled_from([0, 1, 2, 3, 0x22]))


@settings(max_examples=60, deadline=None)
@given(st.lists(access, min_size=1, max_size=25), st.sampled_from(["stuck-low", "stuck-high", "floating"]))
def test_a_fault_that_comes_and_goes_never_makes_a_right_read_wrong(told, name):
    study = study_of(told)
    fault = acting(candidate(study, name, "buffer", component="U10", lanes=0x02), hard=False)
    rows = study.rows()
    found = laid_over(FoundFault(fault, study), rows)
    assert (found.wrong & ~rows.wrong == 0).all()
    assert (found.wrong & ~np.uint32(0x02) == rows.wrong & ~np.uint32(0x02)).all()
    assert (found.compared == rows.compared).all()


# -- ROM ----------------------------------------------------------------------------
def test_a_write_that_is_led_to_a_rom_goes_nowhere():
    """Exchanged selects of a RAM and a ROM: reads give the other's cells, writes to the RAM are lost."""
    board = two_banks()
    board = replace(board, regions=(board.regions[0], replace(board.regions[1], kind="rom")))
    study = Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, [("w", 3, 0x55), ("r", 3, 0x55)]), 1e-9))
    maps = study.maps(PathFault("swapped", (0, 1), 0xFF, (0, 1)))
    assert maps.r1[3] == 16 + 3 and maps.r1[16 + 3] == 3
    assert maps.w1[3] == -1 and maps.w1[16 + 3] == 3
