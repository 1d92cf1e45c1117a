"""Another master: when it may have had the bus, and what seems to be read while it has it."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from busledger.decoder.diagnosis.rivals.handed_over import bus_handed_over, moments, standing
from busledger.decoder.diagnosis.rivals.story import Story, Told

from .rows_of import study_of

CELLS = range(32)
GRANTED = 20


@pytest.fixture(scope="module")
def story():
    """Cells written and read back; then the processor gives the bus away after a read of cell 31, and its cycles go on
    at that address, with the bus floating high."""
    told = [("w", c, c) for c in CELLS] + [("r", c, c) for c in CELLS]
    told += [("r", CELLS[-1], 0xFF)] * GRANTED
    told += [("r", c, c) for c in CELLS]
    return Story.of(study_of(told))


def test_cycles_that_stand_at_one_address_are_no_programs(story):
    first, last = standing(story)
    assert (first.tolist(), last.tolist()) == ([63], [63 + GRANTED])
    assert moments(story)[0].tolist() == [64 + GRANTED]


def test_what_is_read_then_is_nobodys(story):
    (rival,) = bus_handed_over(story)
    assert (rival.fault, rival.scope, rival.explains) == ("shared", "machine", GRANTED)
    assert rival.index.tolist() == list(range(64, 64 + GRANTED))
    assert "stands at one address" in rival.summary and rival.next_step.startswith("Clip")


def test_a_program_that_reads_a_flag_again_and_again_gives_nothing_away():
    told = [("w", 3, 0x80), *[("r", 3, 0x80), ("r", 9, 1)] * 20]
    story = Story.of(study_of(told))
    assert not len(standing(story)[0]) and list(bus_handed_over(story)) == []


def test_right_reads_of_one_address_are_no_wrong_ones():
    story = Story.of(study_of([("w", 3, 0x80), *[("r", 3, 0x80)] * 20]))
    assert len(standing(story)[0]) == 1 and list(bus_handed_over(story)) == []


def resting(*rests: tuple[int, int]) -> Story:
    """Traffic without end, with (number of the access before which, ticks) in which nobody moved the bus."""
    story = Story.of(study_of([("w", c, c) for c in CELLS] + [("r", c, c) for c in CELLS] * 9))
    time = story.rows.time.copy()
    for at, ticks in rests:
        time[at:] += ticks
    rows = replace(story.rows, time=time)
    return Story(story.study, Told(rows, story.took, story.repeat, story.older, story.since))


def test_rests_that_stand_out_are_those_moments_and_speak_for_another_master():
    """Two far longer than all others, which are themselves long."""
    odd = [(at, 20_000) for at in (40, 150)]
    when, seen = moments(resting((100, 300_000), (200, 280_000), *odd))
    assert when.tolist() == [100, 200]
    assert seen == pytest.approx(math.log(281 / 21), abs=0.1)


def test_rests_of_any_length_may_be_those_moments_and_say_nothing_by_themselves():
    """A program that goes out of sight does so for long, and for less."""
    when, seen = moments(resting((100, 40_000), (200, 20_000), (250, 10_000), (270, 5_000), (290, 2_000)))
    assert when.tolist() == [100, 200]
    assert seen == 0.0
