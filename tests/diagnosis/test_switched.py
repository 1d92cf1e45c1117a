"""What a latch or a switch does to a region: banks, a ROM that writes pass by, writes that do not take for a while."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import LatchWrites
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals import lost
from busledger.decoder.diagnosis.rivals.banks import banked, latched
from busledger.decoder.diagnosis.rivals.lost import contents_lost
from busledger.decoder.diagnosis.rivals.protected import read_only
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.turns import taken_in_turns

from .rows_of import study_of, without_chips

LATCH, TICKS = 0x6CFA, 1000


def told(story, *writes):
    """The same with writes to a latch: (number of the access before which, value)."""
    when = np.array([at * TICKS + TICKS // 2 for at, _ in writes], np.int64)
    value = np.array([value for _, value in writes], np.int64)
    address = np.full(len(writes), LATCH, np.int64)
    signs = SimpleNamespace(latches=lambda: LatchWrites(when, address, value, np.zeros(len(writes), np.int64)))
    return Story.of(Study(replace(story.study.evidence, signs=signs)))


def shadowed(regions):
    """A ROM is copied into the RAM under it, changed a little, and taken away: the RAM shows."""
    rom = {c: (37 * c + 11) & 0xFF for c in regions}
    accesses, ram = [], {}
    for c in regions:
        ram[c] = rom[c] if c % 3 else rom[c] ^ 0x5A
        accesses += [("r", c, rom[c]), ("w", c, ram[c])]
    accesses += [("r", c, rom[c]) for c in regions]  # the ROM still answers
    off = len(accesses)
    return accesses + [("r", c, ram[c]) for c in regions], off


def test_a_rom_that_writes_pass_by_is_taken_away_by_one_write():
    accesses, off = shadowed(range(16))
    (rival,) = latched(told(Story.of(study_of(accesses)), (off, 1)))
    assert (rival.fault, rival.region, rival.explains, rival.against) == ("banked", 0, 6, 0)
    assert "switched in banks by a write to 6CFA" in rival.summary and "with a ROM for one of" in rival.evidence[0]


def test_a_rom_that_a_program_reads_again_and_again_before_it_is_taken_away():
    """Variables go beneath it, and nothing is read there after the switch but a few cells."""
    rom = {c: (37 * c + 11) & 0xFF for c in range(16)}
    accesses = [("w", c, rom[c] ^ 0x5A) for c in rom] + [("r", c, rom[c]) for c in rom] * 4
    off = len(accesses)
    accesses += [("r", c, rom[c] ^ 0x5A) for c in range(3)]
    (rival,) = latched(told(Story.of(study_of(accesses)), (off, 0)))
    assert (rival.fault, rival.explains, rival.against) == ("banked", 64, 0)


def test_memory_that_shows_the_same_whatever_is_written_has_no_banks():
    """Its write line is open: that the latch was written before it was read tells nothing."""
    old = {c: (37 * c + 11) & 0xFF for c in range(16)}
    accesses = [("w", c, old[c] ^ 0x5A) for c in range(16)]
    off = len(accesses)
    accesses += [("r", c, old[c]) for c in range(16)] * 2
    study = study_of(accesses, lambda address, _: old[address])
    assert np.count_nonzero(study.rows().wrong) == 32
    assert not list(latched(told(Story.of(study), (off, 1))))


def test_one_latch_that_switches_two_regions_is_one_cause():
    accesses, off = shadowed(range(32))
    one, both = latched(told(Story.of(study_of(accesses)), (off, 1)))
    assert (one.region, one.explains, both.region, both.explains) == (0, 6, None, 11)
    assert both.summary.startswith("0000-000F, 0010-001F are switched in banks by a write to 6CFA")
    assert both.log_own == pytest.approx(one.log_own, abs=0.01)  # that there is such a latch is paid for once


def test_one_value_may_have_been_written_to_a_latch_once_and_switched_a_bank_in():
    """Everything is written and read back, then a bank of its own is there."""
    accesses = [("w", c, 3 * c + 1) for c in range(16)] + [("r", c, 3 * c + 1) for c in range(16)]
    off = len(accesses)
    accesses += [("r", c, 0xA0 ^ c) for c in range(16)] * 2
    (rival,) = latched(told(Story.of(study_of(accesses)), (off, 0x41)))
    assert (rival.fault, rival.explains, rival.against) == ("banked", 32, 0)


def test_a_region_that_shows_the_same_all_the_time_is_behind_the_latch_beside_one_that_changes():
    """A ROM in two regions, taken away when only the first is read again."""
    accesses, off = shadowed(range(16))
    rom = {c: (37 * c + 11) & 0xFF for c in range(16, 32)}
    before = [(kind, c, rom[c] ^ (0x5A if kind == "w" else 0)) for c in rom for kind in "wr"]
    before += [("r", c, rom[c]) for c in rom]
    one, both = latched(told(Story.of(study_of(before + accesses)), (len(before) + off, 1)))
    assert (one.region, both.region, both.explains) == (0, None, one.explains + 32)


def turns(cells, rounds):
    """Two tasks count in the same cells by turns, each in a bank of its own that nobody sees being switched."""
    left = {}
    accesses = []
    for turn in range(rounds):
        for c in cells:
            accesses += [("r", c, left[turn % 2, c])] if turn > 1 else []
            left[turn % 2, c] = (41 * turn + 3 * c) & 0xFF
            accesses.append(("w", c, left[turn % 2, c]))
    return accesses


def test_banks_that_take_turns_are_told_by_what_tasks_find_again():
    (rival,) = taken_in_turns(Story.of(study_of(turns(range(8), 8))))
    assert (rival.fault, rival.region, rival.addresses, rival.against) == ("banked", 0, (0, 15), 0)
    assert rival.explains == 6 * 8  # all but the first turn of each
    assert rival.evidence[0].startswith("with 7 switches between two banks")


def test_one_switch_of_several_regions_is_one_cause():
    *alone, both = taken_in_turns(Story.of(study_of(turns(range(8, 24), 8))))
    assert [rival.region for rival in alone] == [0, 1]
    assert (both.region, both.explains) == (None, sum(rival.explains for rival in alone))
    assert both.log_own > sum(rival.log_own for rival in alone)


def test_each_read_of_another_bank_may_be_between_two_of_this_one():
    """Two tasks look at a cell of their own each time their turn comes, and seldom write to it: two switches for each
    wrong read. Where in its walk through memory a turn begins says when."""
    mine = {0: 0x45, 1: 0x5B}
    accesses = [("w", c, 7 * c) for c in range(1, 12)] + [("w", 0, mine[0]), ("w", 0, mine[1])]
    for _ in range(8):
        for task in (0, 1):
            accesses += [("r", 0, mine[task])] + [("r", c, 7 * c) for c in range(1, 12)]
    (rival,) = taken_in_turns(Story.of(study_of(accesses)))
    assert (rival.explains, rival.against) == (8, 0)
    any_byte_at_any_time = -64.0 * np.log(2.0) + log_rate(8, 16 * 11, SOMETIMES)
    assert rival.log_own > any_byte_at_any_time + 10.0


def test_cells_that_are_written_wrongly_take_no_turns():
    """What they hold is new, and not what lay there before."""
    rng = np.random.default_rng(6)
    accesses = [(kind, c, (7 * c + n) & 0xFF) for n in range(9) for c in range(16) for kind in "wr"]
    bad = study_of(accesses, lambda address, data: int(rng.integers(256)) if rng.random() < 0.2 else data)
    assert not list(taken_in_turns(Story.of(bad)))


def test_protected_memory_is_not_bound_to_what_the_traffic_makes_a_region():
    """Without a board file; the moments are those of both."""
    old, lost, new = (lambda c: c), (lambda c: 0x40 + c), (lambda c: 0x80 + c)
    accesses = [(kind, c, old(c)) for c in range(32) for kind in "wr"]
    accesses += [("w", c, lost(c)) for c in range(32)]
    accesses += [("r", c, old(c)) for c in range(32)]
    accesses += [(kind, c, new(c)) for c in range(32) for kind in "wr"]
    (whole,) = (rival for rival in read_only(without_chips(study_of(accesses))) if rival.region is None)
    assert (whole.addresses, whole.explains, whole.against) == ((0, 31), 32, 0)
    assert whole.summary.startswith("0000-001F cannot be written at times")


def test_writes_that_do_not_take_for_a_while_are_seen_in_the_order_of_the_writes():
    """All cells take a write, are written while protected, then half of them once it is off, and read last of all."""
    old, lost, new = (lambda c: c), (lambda c: 0x40 + c), (lambda c: 0x80 + c)
    accesses = [(kind, c, old(c)) for c in range(16) for kind in "wr"]
    accesses += [("w", c, lost(c)) for c in range(16)]
    accesses += [("w", c, new(c)) for c in range(0, 16, 2)]
    accesses += [("r", c, old(c) if c % 2 else new(c)) for c in range(16)]
    found = [rival for rival in read_only(Story.of(study_of(accesses))) if "at times" in rival.summary]
    assert [(rival.explains, rival.against) for rival in found] == [(8, 0)]
    assert "in 3 stretches" in found[0].evidence[0]


def test_another_bank_that_is_looked_into_twice_is_told_by_what_comes_back():
    """What the other bank holds is seen once only; that the first one is there again after it says enough."""
    own, other = (lambda c: (37 * c + 11) & 0xFF), (lambda c: (201 - 52 * c) & 0xFF)
    accesses = [("w", c, own(c)) for c in range(16)]
    accesses += [("r", c, other(c)) for c in range(12)]
    accesses += [("r", c, own(c)) for c in range(16)]
    accesses += [("r", c, other(c)) for c in range(12, 16)] + [("r", c, own(c)) for c in range(16)]
    (rival,) = banked(without_chips(study_of(accesses)))
    assert (rival.fault, rival.explains, rival.against) == ("banked", 16, 0)


def test_six_cells_that_hold_a_row_of_values_at_once_were_switched_or_lost():
    """Nobody counted up in them but whoever filled the other bank."""
    accesses = [("w", c, 0) for c in range(8)] + [("r", c, 0) for c in range(2)]
    accesses += [("r", c, (0xCA - 0x34 * c) & 0xFF) for c in range(2, 8)]
    (rival,) = contents_lost(Story.of(study_of(accesses)))
    assert (rival.explains, rival.against) == (6, 0)
    anyhow = [("w", c, 0) for c in range(8)] + [("r", c, 0) for c in range(2)]
    anyhow += [("r", c, value) for c, value in zip(range(2, 8), (0xCA, 0x17, 0x90, 0x3B, 0xF4, 0x69), strict=True)]
    (dearer,) = contents_lost(Story.of(study_of(anyhow)))
    assert rival.log_own > dearer.log_own + 8.0


def test_a_cell_that_wakes_up_with_what_it_held_does_not_say_that_some_were_spared():
    """One of three hundred that lose everything holds the same byte by chance, which costs what any byte does."""
    story = Story.of(study_of([("w", 0, 7), ("r", 0, 7)]))
    by_chance, a_share = -8 * np.log(2.0), log_rate(299, 1, (1.0, 1.0))
    assert a_share < by_chance - 5.0
    assert lost._log_touched(story, 299, np.array([1])) == pytest.approx(by_chance - np.log(2.0), abs=0.01)


def test_a_region_that_goes_through_a_dip_says_nothing_of_those_that_do_not():
    """Its chips are others, often on another card with a supply of its own."""
    junk = dict(zip(range(8), (0xCA, 0x17, 0x90, 0x3B, 0xF4, 0x69, 0x2E, 0x85), strict=True))
    accesses = [("w", c, c + 1) for c in (*range(8), *range(16, 32))] + [("r", c, junk[c]) for c in junk]
    (alone,) = contents_lost(Story.of(study_of(accesses)))
    (beside,) = contents_lost(Story.of(study_of([*accesses, *(("r", c, c + 1) for c in range(16, 32))])))
    assert (beside.explains, beside.against) == (alone.explains, alone.against) == (8, 0)
    assert beside.log_own > alone.log_own - 5.0  # sixteen cells that some dip spares would cost three times that
    kept = [*accesses[:-8], *accesses[-5:], *(("r", c, c + 1) for c in range(3))]
    (some,) = contents_lost(Story.of(study_of(kept)))
    assert some.against == 3  # of its own cells each that kept its byte does


def test_a_bank_that_is_switched_in_anywhere_is_told_by_what_its_cells_were_given():
    """In the middle of a fill; of what the other bank holds beyond that nobody saw a thing before."""
    other = [(0xCA - 0x34 * c) & 0xFF for c in range(16)]
    accesses = [("w", c, c) for c in range(16)] + [("r", c, c) for c in range(16)]
    accesses += [("w", c, c ^ 0x55) for c in range(6)]
    accesses += [("w", c, c ^ 0x55) for c in range(6, 16)] + [("r", c, other[c]) for c in range(6)]  # the other one
    accesses += [("r", c, c ^ 0x55) for c in range(6, 16)]
    accesses += [("r", c, c ^ 0x55) for c in range(6)] + [("r", c, c) for c in range(6, 16)]  # and back
    (rival,) = taken_in_turns(Story.of(study_of(accesses)))
    assert (rival.explains, rival.against) == (16, 0)
    assert "with 2 switches between two banks 10 wrong reads" in rival.evidence[0]
