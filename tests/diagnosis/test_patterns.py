"""What a part that is bad in a way not listed gives: any pattern, or some again and again."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busledger.decoder.diagnosis.leaf import units_of
from busledger.decoder.diagnosis.leaf_chip import Chip
from busledger.decoder.diagnosis.leaf_rows import count_reads, narrowed
from busledger.decoder.diagnosis.replay.patterns import log_by_level, log_by_word, log_patterns
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.weighing import log_chances

from .rows_of import study_of


def patterns(told, mask):
    return log_patterns(narrowed(study_of(told).rows(), mask), mask)


def test_two_wrong_reads_alike_by_hand():
    """D0 wrong twice of two lanes, 00 read both times. Any pattern: 1/3 · 1/3. Lanes as before (Pólya's urn with one
    ball in all): 1/3, then (1/3 + 1) / 2. Values as before: 1/4, then (1/4 + 1) / 2. The value just seen: 1/4, then
    1/2."""
    found = patterns([("w", 3, 0x01), ("r", 3, 0x00), ("w", 3, 0x01), ("r", 3, 0x00)], 0x03)
    ways = (0.5 / 9, 0.22 * (1 / 3) * (2 / 3), 0.22 * (1 / 4) * (5 / 8), 0.06 * (1 / 4) * (1 / 2))
    assert found == pytest.approx(math.log(sum(ways)))


def test_a_chip_that_gives_one_value_for_a_while_and_then_another_is_cheaper_than_one_that_gives_them_by_turns():
    """Outputs that are dead for a while stay where they are; many values, each in one stretch."""
    stretches = [value for value in range(1, 13) for _ in range(5)]
    by_turns = [value for _ in range(5) for value in range(1, 13)]

    def read(values):
        told = []
        for n, value in enumerate(values):
            told += [("w", n % 16, (value + 1 + n % 7) & 0x0F), ("r", n % 16, value)]
        return patterns(told, 0x0F)

    assert read(stretches) > read(by_turns) + 40


def test_a_chip_that_answers_all_high_or_all_low_is_cheaper_than_one_that_answers_anything():
    swings, wanders = [], []
    for n in range(12):
        cell, due = n % 16, (n * 7 + 3) % 14 + 1
        swings += [("w", cell, due), ("r", cell, 0x0F * (n % 2))]
        wanders += [("w", cell, due), ("r", cell, due ^ (n % 15 + 1))]
    assert patterns(swings, 0x0F) > patterns(wanders, 0x0F) + 8
    assert patterns(wanders, 0x0F) > -12 * math.log(15) - math.log(2) - 1e-9


def test_one_lane_has_no_pattern_and_no_news_no_price():
    told = [("w", 3, 0x01), ("r", 3, 0x00), ("r", 3, 0x00)]
    assert patterns(told, 0x01) == 0.0
    assert patterns([("w", 3, 0x01), ("r", 3, 0x01)], 0x0F) == 0.0
    assert patterns(told, 0x03) == patterns(told[:2], 0x03)


def _at_times(highs, lows):
    """400 writes and reads of one lane by turns 0 and 1; reads of ``highs`` come high, those of ``lows`` low."""
    told = []
    for n in range(400):
        due = n % 2
        told += [("w", n % 16, due), ("r", n % 16, 1 if n in highs else 0 if n in lows else due)]
    rows = narrowed(study_of(told).rows(), 0x01)
    count = count_reads(rows)
    together = log_chances(count.events, count.right, (count.event_count, count.right_count))
    return log_by_level(rows, 0x01, together, count.log_slips), together


def test_a_lane_that_reads_high_at_one_time_and_low_at_another():
    """A chip that at times answers to nothing reads high then, and later gives old data where it was written then."""
    apart, together = _at_times(range(40, 60, 2), range(301, 341, 2))
    assert apart > together + 5.0
    mixed, together = _at_times(range(40, 200, 16), range(41, 200, 16))
    assert mixed < together + 2.0


def test_one_level_alone_has_no_second_habit():
    one, together = _at_times(range(40, 60, 2), ())
    assert one == together


def test_a_part_that_gives_the_same_of_each_word_is_foretold_by_the_word():
    """D1 pulls D0 down inside the part, every time: 01 of 03, and the rest as it was. One that garbles is not."""

    def told(bend):
        accesses = [one for n in range(200) for one in (("w", n % 16, n * 7 % 16), ("r", n % 16, bend(n, n * 7 % 16)))]
        return log_by_word(narrowed(study_of(accesses).rows(), 0x0F), 0x0F, -1000.0)

    pulled = told(lambda _, due: due & ~1 if due & 2 else due)
    garbled = told(lambda n, due: due ^ (n * 5 % 15 + 1) if n % 2 else due)
    assert pulled > -100.0
    assert garbled < pulled - 100.0


def test_a_single_lane_has_no_words():
    assert log_by_word(narrowed(study_of([("w", 3, 1), ("r", 3, 0)]).rows(), 0x01), 0x01, -3.0) == -3.0


def test_reads_that_tell_of_some_lanes_alone_are_foretold_by_no_word():
    """A lane that a clip leaves in doubt hides the word: right reads of the others cost the idea what they cost all."""
    accesses = [one for n in range(400) for one in (("w", n % 16, n % 16), ("r", n % 16, n % 16))]
    rows = narrowed(study_of(accesses).rows(), 0x0F)
    lanes = np.where(rows.is_write, rows.compared, rows.compared & ~np.uint32(1))
    bent = np.zeros(len(rows), np.uint32)
    bent[np.flatnonzero(~rows.is_write)[[50, 250]]] = 2
    doubtful = rows.judged(rows.expected, lanes, bent, (bent != 0).astype(np.uint8))
    told = log_chances(*(np.bincount(rows.window[those], minlength=WINDOWS).astype(np.int64)
                         for those in (bent != 0, ~rows.is_write & (bent == 0))), (2, 398))  # fmt: skip
    assert log_by_word(doubtful, 0x0F, told) < told + 1.0


def _anywhere(accesses):
    """Log likelihood of a chip of one lane that is bad in an unlisted way."""
    study = study_of([(kind, cell, 0xFE | data) for kind, cell, data in accesses])
    (unit,) = [one for one in units_of(study.card) if one.region == 0 and one.mask & 1]
    rows = narrowed(study.rows(), 0x01)
    return Chip(study, unit, rows, count_reads(rows), False).log_anywhere(count_reads(rows), 0.0)


def test_reads_at_random_cost_a_bit_each_also_where_one_cell_is_read_again():
    """A wrong read after a wrong one of the same cell is half a chance more, and no repeat for nothing."""
    rng = np.random.default_rng(4)
    told = []
    for n in range(200):
        told += [("w", n % 16, 0), ("r", n % 16, int(rng.integers(0, 2))), ("r", n % 16, int(rng.integers(0, 2)))]
    assert _anywhere(told) < -0.95 * 400 * math.log(2.0)


def test_a_write_that_was_bent_is_paid_once_however_often_the_cell_is_read():
    told = []
    for n in range(200):
        bent = int(n % 10 == 0)
        told += [("w", n % 16, 0), *[("r", n % 16, bent)] * 5]
    assert _anywhere(told) > -20 * math.log(10.0) - 180 * math.log(10.0 / 9.0) - 10.0
