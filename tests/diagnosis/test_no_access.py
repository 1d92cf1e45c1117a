"""Cycles that access nothing, where nobody clipped the line that says so: they give what the bus was left with."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest

from busledger.decoder.bus import Profile, load_profile
from busledger.decoder.diagnosis.rivals.no_access import cycles_of_no_access, lines_of_no_access
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(16)
LOOPS = 12


@dataclass
class Signs:
    names: tuple[str, ...] = ("PHI2", "RW")
    profile: Profile = field(default_factory=lambda: load_profile("6800"))


def story_of(idle, floats_to: int | None = None) -> Story:
    """A loop that reads bank 0 again and again; ``idle`` says which reads are of nobody, by loop and cell: they give
    what the bus was left with, or ``floats_to``."""
    holds = {c: (37 * c + 11) & 0xFF for c in CELLS}
    told = [("w", c, byte) for c, byte in holds.items()]
    reads = [(loop, c) for loop in range(LOOPS) for c in CELLS]
    left, seen = [holds[CELLS[-1]]], []
    for loop, c in reads:
        # Each cell is read by the first of two cycles, or seems to be read by both.
        seen += [holds[c] if not idle(loop, c) else left[-1] if floats_to is None else floats_to, holds[c]]
        left.append(holds[c])
    told += [("r", c, 0) for _, c in reads for _ in range(2)]
    gives = iter(seen)
    return Story.of(study_of(told, lambda *_: next(gives)))


@pytest.mark.parametrize("floats_to", [None, 0xFF], ids=["holds", "floats high"])
def test_wrong_reads_at_the_same_places_of_the_program_ask_for_the_line(floats_to):
    (rival,) = cycles_of_no_access(story_of(lambda _, c: c % 3 == 0, floats_to), Signs())
    assert (rival.fault, rival.scope, rival.lines, rival.stops_judging) == ("clip-off", "clip", ("VMA",), True)
    assert rival.explains == LOOPS * len(range(0, 16, 3))
    assert "VMA is not clipped" in rival.summary
    assert rival.next_step == "Clip VMA, and capture again."


def test_a_card_that_fails_so_fails_anywhere():
    """As many reads that nobody answers, here and there: less likely by far that they are no accesses."""
    by_chance = np.random.default_rng(3).random((LOOPS, 16)) < 1 / 3
    (there,) = cycles_of_no_access(story_of(lambda _, c: c % 3 == 0), Signs())
    (anywhere,) = cycles_of_no_access(story_of(lambda loop, c: by_chance[loop, c]), Signs())
    assert anywhere.log_posterior < there.log_posterior - 40.0


@pytest.mark.parametrize(
    ("signs", "idle"),
    [
        (Signs(("PHI2", "RW", "VMA")), lambda _, c: c % 3 == 0),
        (Signs(profile=load_profile("6502")), lambda _, c: c % 3 == 0),
        (Signs(), lambda *_: False),
    ],
    ids=["clipped", "no such line", "nothing wrong"],
)
def test_else_nothing_is_said_of_it(signs, idle):
    assert not list(cycles_of_no_access(story_of(idle), signs))


def test_cells_that_never_come_right_are_the_card_s():
    told = [("w", c, 16 * c + 5) for c in CELLS] + [("r", c, 0) for _ in range(LOOPS) for c in CELLS]
    story = Story.of(study_of(told, lambda *_: 16 * 15 + 5))
    assert np.count_nonzero(story.rows.wrong) > LOOPS
    assert not list(cycles_of_no_access(story, Signs()))


@pytest.mark.parametrize(
    ("bus", "lines"), [("6800", ("VMA",)), ("6809e", ("AVMA",)), ("65c816", ("VDA",)), ("z80", ())]
)
def test_only_lines_without_which_every_cycle_counts(bus, lines):
    assert lines_of_no_access(load_profile(bus)) == lines
