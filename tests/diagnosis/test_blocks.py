"""Blocks that changed all at one moment, and what a chip hardly does by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis.leaf_rows import count_reads, narrowed
from busledger.decoder.diagnosis.rivals import lost
from busledger.decoder.diagnosis.rivals.blocks import Passages, blocks_of, passages, stabbed
from busledger.decoder.diagnosis.rivals.story import Story, Told

from .rows_of import study_of

CELLS = range(32)
COPIED = range(6, 26)
# The copy came after the last read that gave what was written, and before the first that did not.
SINCE, UNTIL = 2 * len(CELLS) - (len(CELLS) - 25), 2 * len(CELLS) + 6


def written(cell):
    return (cell * 7) & 0xFF


def copied(cell):
    """What another master put there; no read gives it by chance."""
    return written(cell) ^ 0x5A


@pytest.fixture(scope="module")
def story():
    """Cells 0 to 31 written and read back; then another master writes 6 to 25, and all are read twice more."""
    told = [("w", c, written(c)) for c in CELLS] + [("r", c, written(c)) for c in CELLS]
    told += [("r", c, copied(c) if c in COPIED else written(c)) for c in CELLS] * 2
    return Story.of(study_of(told))


def test_a_passage_is_a_read_of_a_cell_whose_contents_were_known(story):
    found = passages(story)
    assert len(found.row) == 3 * len(CELLS)
    assert story.address[story.rows.cell[found.row[found.changed]]].tolist() == list(COPIED)
    assert not found.back.any()


def test_a_block_is_told_with_its_moment_and_its_addresses(story):
    (block,) = blocks_of(story, passages(story))
    assert (block.low, block.high, len(block.rows), block.missed) == (6, 25, len(COPIED), 0)
    assert SINCE < block.moment <= UNTIL


def test_changes_that_came_one_by_one_are_no_block():
    told = [("w", c, written(c)) for c in CELLS]
    for late in (3, 11, 19, 30):
        told += [("r", c, copied(c) if c == late else written(c)) for c in CELLS]
        told += [("w", late, written(late))]
    story = Story.of(study_of(told))
    assert blocks_of(story, passages(story)) == []


def test_the_moment_that_most_changes_passed(story):
    row, count = stabbed(passages(story))
    assert count == len(COPIED)
    assert SINCE < row <= UNTIL


def test_lanes_that_reads_leave_in_doubt_are_told_of_by_what_was_written(story):
    """Sampled slowly, only high levels are settled in time; a cell is known by few lanes as well."""
    rows = story.rows
    lanes = np.where(rows.is_write, rows.sure, rows.data)
    told = replace(rows, sure=lanes, compared=rows.compared & lanes, wrong=rows.wrong & lanes)
    found = passages(Story(story.study, Told(told, story.took, story.repeat, story.older, story.since)))
    high = [c for c in COPIED if copied(c) & 0x5A]  # what is only lower than it was is not seen
    assert story.address[rows.cell[found.row[found.changed]]].tolist() == high


def test_a_cell_that_nobody_wrote_and_that_gave_two_values_is_no_sound_one():
    """Which of them is wrong nobody knows; that it stayed is not so."""
    found = passages(Story.of(study_of([("r", 3, 0x0F), ("r", 3, 0xF3), ("w", 5, 1), ("r", 5, 1)])))
    assert found.row.tolist() == [3]


def test_nothing_read_is_no_block():
    story = Story.of(study_of([("w", 3, 1)]))
    assert stabbed(passages(story)) == (0, 0)
    assert blocks_of(story, passages(story)) == []


def test_contents_that_change_between_two_reads_were_bent_by_no_write():
    by_write = [("w", 3, 0x0F), ("r", 3, 0x01), ("r", 3, 0x01)]
    by_itself = [("w", 5, 0x0F), ("r", 5, 0x0F), ("r", 5, 0x31), ("r", 5, 0x31)]
    count = count_reads(narrowed(study_of(by_write + by_itself).rows(), 0xFF))
    assert (count.wrong, count.event_count, count.by_itself) == (4, 2, 1)


def test_a_moment_between_a_sound_read_and_the_first_that_shows_it_is_the_one_that_least_speaks_against():
    """Two cells changed between rows 10 and 40; of three that did not, two were read again before row 30."""
    found = Passages(
        row=np.array([40, 41, 20, 25, 60]), before=np.array([9, 10, 4, 5, 6]),
        changed=np.array([True, True, False, False, False]), back=np.zeros(5, np.bool_),
    )  # fmt: skip
    assert 25 < lost._fewest_across(found, 12)[0] <= 40
