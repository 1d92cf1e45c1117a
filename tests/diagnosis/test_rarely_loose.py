"""A loose address clip that acts twice or three times: reads, writes and selects of the other side of its line."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import LatchWrites
from busledger.decoder.diagnosis.rivals import rarely_loose as rarely_loose_module
from busledger.decoder.diagnosis.rivals.rarely_loose import rarely_loose
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

TICKS = 1000
SLIP = math.log(1000.0)  # a settled line sampled wrong: weighing.LOG_SLIP
LINES = {bit: f"A{bit}" for bit in range(6)}


def value(cell):
    return (37 * cell + 11) & 0xFF


def signs_of(*writes):
    """No line rests; ``writes`` outside all regions: (number of the access before which, address, value)."""
    when, address, data = np.array(writes, np.int64).reshape(-1, 3).T
    told = LatchWrites(when * TICKS + TICKS // 2, address, data, np.zeros(len(writes), np.int64))
    rest = SimpleNamespace(of=0)
    return SimpleNamespace(
        latches=lambda: told, address_lines=LINES, names=tuple(LINES.values()), address_bit=lambda _: rest,
        span=(0, 1_000_000),
    )


def shown_high(bit, *at):
    """All cells are written once and read five times; the reads numbered ``at`` show the address bit high."""
    accesses = [("w", c, value(c)) for c in range(32)]
    for n in range(160):
        true = (n * 7) % 32
        accesses.append(("r", true | 1 << bit if n in at else true, value(true)))
    return accesses


def test_two_reads_that_belong_to_the_other_side_speak_for_the_clip():
    story = Story.of(study_of(shown_high(2, 5, 64)))
    (rival,) = rarely_loose(story, signs_of())
    assert (rival.fault, rival.lines, rival.explains) == ("clip-noisy", ("A2",), 2)
    assert "as if it were shown high" in rival.summary


def test_one_read_may_be_anything():
    assert not list(rarely_loose(Story.of(study_of(shown_high(2, 5))), signs_of()))


@pytest.mark.parametrize("clip", [True, False])
def test_a_select_that_comes_where_the_line_really_leads_tells(clip):
    """By A4 the accesses lead to the other bank: its select came, or the one of the bank that is shown."""
    accesses = shown_high(4, 5, 64)
    story = Story.of(study_of(accesses))
    came = np.array([1 << (c >> 4) for _, c, _ in accesses], np.uint64)
    if clip:
        came[story.rows.wrong != 0] = 1
    rows = replace(story.rows, selected=came, selects_seen=np.full(len(came), 3, np.uint64))
    (unseen,) = rarely_loose(story, signs_of())
    (rival,) = rarely_loose(Story(story.study, replace(story.told, rows=rows)), signs_of())
    assert rival.log_own - unseen.log_own == pytest.approx((4 if clip else -4) * SLIP)


@pytest.mark.parametrize(("when", "data", "found"), [(180, 0x77, True), (180, 0x78, False), (3, 0x77, False)])
def test_a_cell_may_give_what_was_shown_to_be_written_past_the_memory(when, data, found):
    """Cell 3 was written at first, and gives 77 at last; A5 leads past all regions."""
    story = Story.of(study_of([*shown_high(2), ("r", 3, 0x77)]))
    wrong = story.rows.wrong != 0
    assert rarely_loose_module._written_there(story, signs_of((when, 32 | 3, data)), 5, wrong).any() == found


def left_beside():
    """All cells are written and read; of two the value changes without a write to them."""
    accesses = shown_high(2)
    return [*accesses, ("r", 3, 0x77), ("w", 3, value(3)), ("r", 9, 0x55)]


def test_two_writes_that_were_shown_past_the_memory_speak_for_the_clip():
    """A5 leads past all regions, where the program never writes but for these two."""
    story = Story.of(study_of(left_beside()))
    (rival,) = rarely_loose(story, signs_of((180, 32 | 3, 0x77), (181, 32 | 9, 0x55)))
    assert (rival.fault, rival.lines, rival.explains) == ("clip-noisy", ("A5",), 2)


def test_a_program_that_writes_a_lot_there_leaves_such_values_by_itself():
    few = [(180, 32 | 3, 0x77), (181, 32 | 9, 0x55)]
    many = [(n, 32 | n % 32, 0x12) for n in range(1, 160)] + few
    story = Story.of(study_of(left_beside()))
    (rival,), (weaker,) = rarely_loose(story, signs_of(*few)), rarely_loose(story, signs_of(*many))
    assert weaker.log_own < rival.log_own - 4.0
