"""Clipped selects tell what an address line really was while its noisy clip showed something else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.rivals.noise import _selects_on_the_other_side
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of


def test_a_select_that_comes_for_the_other_side_of_the_line_is_counted():
    """A4 tells the two banks apart: of four accesses to bank 0 the decoder saw one in bank 1."""
    story = Story.of(study_of([("w", 3, 0x11), ("r", 3, 0x11), ("w", 7, 0x22), ("r", 7, 0x22)]))
    selected = np.array([1, 1, 2, 1], np.uint64)
    seen = np.full(4, 3, np.uint64)
    rows = replace(story.rows, selects_seen=seen, selected=selected)
    address = story.address[rows.cell]
    assert _selects_on_the_other_side(rows, address ^ 0x10, story.regions) == 1
    assert _selects_on_the_other_side(rows, address ^ 0x04, story.regions) == 0  # leads to the same bank
