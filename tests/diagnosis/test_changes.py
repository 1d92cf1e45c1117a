"""Memory that somebody else writes too: what that one writes is as likely as what programs write."""

from __future__ import annotations

import math

import numpy as np

from busledger.decoder.diagnosis.rivals.changes import _log_place, shared
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(16)


def log_of(values: list[int]) -> float:
    """Blanks on a screen; then each cell holds one of ``values``, and keeps it: the likeliest log of such a rival."""
    accesses = [*(("w", cell, 0x20) for cell in CELLS), *(3 * [("r", cell, 0) for cell in CELLS])]
    reads = iter([0x20 for _ in CELLS] + 2 * values)
    story = Story.of(study_of(accesses, lambda _, __: next(reads)))
    return max(rival.log_own for rival in shared(story))


def test_digits_on_a_screen_are_likelier_than_any_byte_in_any_cell():
    digits = [0x31, 0x33, 0x32, 0x34, 0x33, 0x34, 0x31, 0x32, 0x32, 0x31, 0x34, 0x33, 0x31, 0x31, 0x32, 0x34]
    chance = np.random.default_rng(4).integers(0, 256, 16).tolist()
    assert log_of(digits) > log_of(chance) + 30.0


def test_a_place_that_was_read_off_two_changes_is_dearer_than_its_share_of_the_region():
    assert _log_place(16, 256, 2) < math.log(16 / 256) - 1.0
    assert _log_place(250, 256, 12) > -1.0, "changes all over the region need no place of their own"
    assert _log_place(16, 256, 2) > _log_place(16, 1024, 2)
