"""From which side of a line that a clip hides to which: a program walks through memory."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.sides import left_astray, log_sides, partners_of, selected_there, walks
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of


@pytest.mark.parametrize("bit", [0, 1, 2])
def test_a_walk_past_the_line_tells_each_side_from_the_one_before(bit):
    """Stretches of addresses from here and there, shown with the line high all the time."""
    rng = np.random.default_rng(bit)
    begun, long = rng.integers(0, 32, 60), rng.integers(4, 12, 60)
    true = np.concatenate([np.arange(a, a + n) % 32 for a, n in zip(begun, long, strict=True)])
    story = Story.of(study_of([("r", int(a), 0) for a in true | 1 << bit]))
    low = (true >> bit & 1) == 0
    walk = walks(story, bit, low.astype(np.uint8), (~low).astype(np.uint8))
    nowhere_twice = np.arange(len(true), dtype=np.int32)  # else the steps themselves come again, and tell as much
    told = nowhere_twice, low, ~low, np.zeros(len(true), np.uint8)
    assert log_sides(*told, None, walk) > log_sides(*told) + 20.0


def test_accesses_here_and_there_go_on_from_none():
    story = Story.of(study_of([("r", a, 0) for a in (0, 7, 14, 5, 12, 3, 10)]))
    nothing = np.zeros(7, np.uint8)
    assert walks(story, 0, nothing, nothing).tolist() == [2] * 7


def test_a_loop_takes_the_same_steps_every_time():
    """Eight turns of a program whose code lies on both sides of the line, some of its addresses on either side."""
    rng = np.random.default_rng(5)
    turn = np.repeat(rng.integers(0, 32, 12), 3) + np.tile(np.arange(3), 12)
    side = np.repeat(rng.random(12) < 0.5, 3)
    cell, low = np.tile(turn.astype(np.int32), 8), np.tile(side, 8)
    kind = np.zeros(len(cell), np.uint8)
    shuffled = rng.permutation(low)
    assert log_sides(cell, low, ~low, kind) > log_sides(cell, shuffled, ~shuffled, kind) + 60.0


def test_selects_say_on_which_side_of_a_line_an_access_was():
    """Bank 0 is shown (A4 low), and in turn its own select comes, the other bank's, both, none."""
    story = Story.of(study_of([("r", 3, 0)] * 4 + [("r", 19, 0)]))
    rows = replace(
        story.rows,
        selects_seen=np.full(5, 0b11, np.uint64),
        selected=np.array([0b01, 0b10, 0b11, 0b00, 0b10], np.uint64),
    )
    seen = SimpleNamespace(rows=rows, study=story.study, address=story.address, regions=story.regions)
    there, here = selected_there(seen, partners_of(story, 4), 0, 5)
    assert there.tolist() == [False, True, False, False, False]
    assert here.tolist() == [True, False, False, False, True]


def test_what_was_written_while_a_clip_was_off_is_unknown_on_both_sides_until_it_is_written_again():
    told = [*(("w", a, a) for a in range(16)), ("w", 4, 9), ("w", 5, 9)]
    off = len(told) - 2  # the last two, with A1 not known
    told += [("r", a, 0) for a in (4, 5, 6, 7, 8)] + [("w", 6, 1), ("r", 6, 0)]
    story = Story.of(study_of(told))
    time = story.rows.time
    astray = left_astray(story, 1, (int(time[off]) - 1, int(time[off + 1])))
    assert astray[: off + 2].sum() == 0
    assert astray[off + 2 :].tolist() == [True, True, True, True, False, True, False]
