"""What reads of cells that nobody wrote to say: of a fault that foretells them, and of a write that is lost later.

The contents of a memory at power-up are nobody's to know (common practice); what lines show that nobody drives, is.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis.overlay import FoundFault, composes, hides
from busledger.decoder.diagnosis.playing import play
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.foretold import FirstReads, FoundContents
from busledger.decoder.diagnosis.replay.replay import PathRun, Tables, both_ways
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import LaneFault, PathFault

from .rows_of import acting, candidate, laid_over, study_of

CELLS = range(8)


def first_reads(level):
    """Each cell of bank 0 is read before it is written, as some processors do at every store."""
    return study_of([one for c in CELLS for one in (("r", c, level(c)), ("w", c, 0x55))])


def behaviour(study, fault, scope, way, **wanted):
    return candidate(study, fault, scope, **wanted).variants[way].behaviour


def test_first_reads_at_one_level_speak_for_lines_that_are_pulled_there():
    study = first_reads(lambda _: 0xFF)
    silent = candidate(study, "no-answer", "region", region=0)
    gain = {v.label: FirstReads(study, study.rows()).log_gain(v.behaviour) for v in silent.variants}
    assert gain["the lanes are pulled up"] > 0.0
    assert gain["the lanes are pulled down"] < -20.0  # eight reads that it says cannot be


def test_first_reads_of_chance_contents_speak_the_more_for_a_level_that_was_foretold_each_time():
    """A bit of unknown contents is worth ln 2: the lanes keep what the bus carried, and that was never the same."""
    chance = [0x3A, 0xC5, 0x91, 0x0E, 0x67, 0xF8, 0x2C, 0xD3]
    study = first_reads(lambda c: chance[c])
    rows = study.rows()
    firsts = study.first_reads()
    assert firsts.tolist() == [0, 2, 4, 6, 8, 10, 12, 14]
    silent = next(v for v in candidate(study, "no-answer", "region", region=0).variants if v.label.endswith("level"))
    kept = np.where(rows.is_write, rows.kept, rows.data)  # as if the bus had carried just that before
    gain = FirstReads(study, replace(rows, kept=kept)).log_gain(silent.behaviour)
    assert gain == pytest.approx(64 * np.log(2.0), rel=0.1)


def test_memory_that_shows_the_image_of_a_rom_speaks_for_their_selects_being_exchanged():
    """Bank 1 is a ROM of which the image is given; what bank 0 shows before anybody wrote to it are its bytes."""
    image = bytes((0x3A, 0xC5, 0x91, 0x0E, 0x67, 0xF8, 0x2C, 0xD3) * 2)
    study = first_reads(lambda c: image[c])
    board = study.evidence.board
    rom = replace(board.regions[1], kind="rom", image=image)
    with_rom = Study(replace(study.evidence, board=replace(board, regions=(board.regions[0], rom))))
    swapped = PathFault("swapped", (0, 1), 0xFF, (0, 1))
    gain = FirstReads(with_rom, with_rom.rows()).log_gain(swapped)
    assert gain == pytest.approx(64 * np.log(2.0), rel=0.1)
    assert FirstReads(study, study.rows()).log_gain(swapped) == 0.0, "without an image nobody knows what to expect"


def test_lanes_told_one_by_one_foretell_no_more_than_all_of_them_at_once():
    """A driver that never turns, lines pulled up: FF in every first read. Its lanes, called stuck one after the other,
    were each credited with what made all the words alike."""
    study = first_reads(lambda _: 0xFF)
    rows = study.rows()
    silent = candidate(study, "no-answer", "region", region=0)
    up = next(v.behaviour for v in silent.variants if v.label == "the lanes are pulled up")
    whole = FirstReads(study, rows, shared=True).log_gain(up)
    told = 0.0
    for lane in range(8):
        stuck = LaneFault(lanes_kernel.HIGH, 1 << lane, (0,))
        told += FirstReads(study, rows, shared=True).log_gain(stuck)
        rows = replace(rows, sure=rows.sure & ~np.uint32(1 << lane))  # as laid over the rows: see overlay.FoundFault
    assert 0.0 < told < whole + 0.1
    alone = FirstReads(study, study.rows(), shared=True).log_gain(LaneFault(lanes_kernel.HIGH, 0x01, (0,)))
    assert alone < whole / 4.0


def test_two_dead_chips_foretell_no_more_than_their_row_that_does_not_answer():
    """Each chip by itself would be credited with a fill that the other one shows as well."""
    study = first_reads(lambda cell: 0x11 * cell)
    rows = study.rows()
    kept = replace(rows, kept=np.where(rows.is_write, rows.kept, rows.data))  # as if the bus had carried just that
    whole, *chips = (
        FirstReads(study, kept, shared=True).log_gain(LaneFault(lanes_kernel.KEPT, mask, (0,)))
        for mask in (0xFF, 0x0F, 0xF0)
    )
    assert sum(chips) < whole + 0.1


def test_a_fault_that_says_nothing_of_them_gains_nothing():
    study = first_reads(lambda _: 0xFF)
    reads = FirstReads(study, study.rows())
    assert reads.log_gain(behaviour(study, "write-lost", "region", 0, region=0)) == 0.0
    assert reads.log_gain(behaviour(study, "bridged", "buffer", 0, component="U10", lanes=0x22)) == 0.0


def test_a_write_lost_after_a_read_leaves_what_was_read():
    """Nothing could be held against the first read; the last one gives just what it gave: no bit of it was chance."""
    study = study_of([("r", 3, 0x5A), ("w", 3, 0x00), ("r", 3, 0x5A)])
    run = PathRun(behaviour(study, "write-lost", "region", 0, region=0), Tables(study))
    run.feed(study.rows())
    some = run.effects()[1].tally
    assert (some.hits, some.explained, some.unsure_bits) == (1, 1, 0)
    unread = study_of([("w", 3, 0x00), ("r", 3, 0x5A)])
    run = PathRun(behaviour(unread, "write-lost", "region", 0, region=0), Tables(unread))
    run.feed(unread.rows())
    assert run.effects()[1].tally.unsure_bits == 8


def written_through(study, fault, does="", **wanted):
    """The fault of a driver's lane, bad in writes alone, every time."""
    lanes = candidate(study, fault, "buffer", component="U10", **wanted)
    way = next(i for i, v in enumerate(lanes.variants) if v.label.endswith(does))
    lane = lanes.variants[way].behaviour
    assert isinstance(lane, LaneFault)
    path = next(p for p in both_ways(lane) if p.acts == 2)
    return replace(acting(lanes, hard=True, way=way), path=path)


def test_a_lane_that_is_bad_in_writes_alone_gives_the_chips_other_data_and_hides_none_of_them():
    study = study_of([("w", 3, 0x00), ("r", 3, 0x02), ("r", 3, 0x22)])
    fault = written_through(study, "stuck-high", lanes=0x02)
    assert composes(fault) and not hides(fault)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.data.tolist() == [0x02, 0x02, 0x22]
    assert found.wrong.tolist() == [0, 0, 0x20]


def test_lanes_shorted_in_writes_alone():
    study = study_of([("w", 3, 0x02), ("w", 4, 0x22), ("r", 3, 0x00), ("r", 4, 0x22)])
    fault = written_through(study, "bridged", "AND", lanes=0x22)
    found = laid_over(FoundFault(fault, study), study.rows())
    assert found.data.tolist() == [0x00, 0x22, 0x00, 0x22]
    assert not found.wrong.any()


def test_what_a_strict_fault_could_excuse_stays_for_others():
    """A lost write would have left 5A; what came instead it may excuse, or leave."""
    study = study_of([("r", 3, 0x5A), ("w", 3, 0x00), ("r", 3, 0x11), ("w", 3, 0x07), ("r", 3, 0x5A)])
    lost = acting(candidate(study, "write-lost", "region", region=0), hard=False)
    rows = study.rows()
    assert not laid_over(FoundFault(lost, study), rows).wrong.any()
    left = laid_over(FoundFault(replace(lost, strict=True), study), rows)
    assert left.wrong.tolist()[2] == 0x11


def _led_astray(found):
    """A3 without contact three times, over to cells that nobody wrote: they give ``found``."""
    told = [("w", cell, 0x5A ^ cell) for cell in range(8, 14)]
    told += [("r", cell, value) for cell, value in zip(range(8, 14), (*found, 0x51, 0x56, 0x57), strict=True)]
    study = study_of(told)
    fault = PathFault("forced", (0, 3, 0), 0xFF, (0,))
    run = PathRun(fault, Tables(study))
    given = run.feed(study.rows(), want_rows=True)
    assert (given.found != 0).sum() * 8 == run.effects()[1].tally.unsure_bits == 24
    return FoundContents(study, study.rows()).log_of_acts(fault, given.found)


def test_what_an_address_fault_found_at_times_is_weighed_as_contents():
    """Cells that were never written mostly hold one level: 00, 00 and FF are no 24 even chances. 3C, E1 and 92 are, and
    that costs little more than they do."""
    assert _led_astray((0x00, 0x00, 0xFF)) > -24 * math.log(2) + 6.0
    assert -24 * math.log(2) - 4.0 < _led_astray((0x3C, 0xE1, 0x92)) < -24 * math.log(2) + 2.0


def test_a_single_lane_found_at_times_stays_an_even_chance():
    study = study_of([("w", 3, 0x00), ("r", 3, 0x01)])
    fault = behaviour(study, "write-lost", "region", 0, region=0)._replace(mask=0x01)
    run = PathRun(fault, Tables(study))
    given = run.feed(study.rows(), want_rows=True)
    assert FoundContents(study, study.rows()).log_of_acts(fault, given.found) is None


def test_what_lost_writes_leave_to_be_read_is_weighed_as_contents_are():
    """Half of the writes are lost at times: memory that was cleared shows zeros there, which is next to no coincidence;
    chance contents are worth a half for each bit."""
    found = {}
    for name, old in (("cleared", [0x00] * 8), ("chance", [0x3A, 0xC5, 0x91, 0x0E, 0x67, 0xF8, 0x2C, 0xD3])):
        study = study_of([one for c in CELLS for one in (("w", c, 0x55), ("r", c, old[c] if c % 2 else 0x55))])
        lost = behaviour(study, "write-lost", "region", 0, region=0)
        found[name] = play(study, [lost], study.rows(), None)[lost][1]
    assert found["cleared"].tally.hits == found["chance"].tally.hits == 4
    assert found["cleared"].tally.unsure_bits == found["chance"].tally.unsure_bits == 32
    assert found["cleared"].log_contents > -10.0
    assert found["chance"].log_contents == pytest.approx(-32 * np.log(2.0), abs=3.0)
