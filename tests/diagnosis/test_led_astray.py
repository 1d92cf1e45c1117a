"""A clip off an address line is played as the line that it shows wrongly would play, stuck at times."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.led_astray import log_led_astray
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(16)
BIT = 4
HIGH = 1 << BIT


def story_of(*, off: bool) -> Story:
    """Both halves of a bank written and read back by turns; from the third turn on A4 is shown high if the clip is
    ``off``, so that the low half is seen at the addresses of the high one."""
    told, gave, memory = [], [], {}
    rng = np.random.default_rng(3)
    for turn in range(12):
        half = 0 if turn & 1 else HIGH
        seen = half | (HIGH if off and turn >= 2 else 0)
        for cell in CELLS:
            memory[half | cell] = int(rng.integers(0, 256))
            told.append(("w", seen | cell, memory[half | cell]))
        for cell in CELLS:
            told.append(("r", seen | cell, 0))
            gave.append(memory[half | cell])
        for cell in CELLS:  # the half of the turn before, not written since
            if turn:
                told.append(("r", (seen if off and turn >= 2 else half ^ HIGH) | cell, 0))
                gave.append(memory[(half ^ HIGH) | cell])
    reads = iter(gave)
    return Story.of(study_of(told, lambda address, stored: next(reads)))


@pytest.fixture(scope="module")
def story() -> Story:
    return story_of(off=True)


def test_accesses_that_went_to_the_other_half_explain_what_came_back(story):
    first = int(np.flatnonzero(story.rows.wrong)[0])
    _, explained = log_led_astray(story, BIT, 1, 0, len(story.rows))
    assert first >= 2 * 16 and np.count_nonzero(story.rows.wrong) >= 100
    assert explained[story.bad].all() and not explained[story.rows.wrong == 0].any()


def test_phases_in_one_half_cost_little_for_each_read(story):
    """Some hundred reads, each of which would cost a bit at the least if it went to either half by itself."""
    own, explained = log_led_astray(story, BIT, 1, 0, len(story.rows))
    assert -1.5 * np.count_nonzero(explained) < own < 0.0


def test_nothing_is_explained_before_the_clip_was_off(story):
    middle = int(np.flatnonzero(story.rows.wrong)[0]) + 60
    _, explained = log_led_astray(story, BIT, 1, middle, len(story.rows))
    assert not explained[:middle].any() and explained[middle:].any()


def test_another_line_explains_next_to_nothing(story):
    own, explained = log_led_astray(story, BIT - 1, 1, 0, len(story.rows))
    assert np.count_nonzero(explained) < 0.1 * len(story.bad) or own < -8.0 * np.count_nonzero(explained)


def test_a_clip_that_holds_has_nothing_to_explain():
    assert not story_of(off=False).rows.wrong.any()
