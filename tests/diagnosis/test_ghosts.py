"""A clip that came off a high address line: what the program writes is seen beside its memory from then on."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import LatchWrites, Rest
from busledger.decoder.diagnosis.rivals.ghosts import ghosts
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(32)
LOST = 100_000  # ticks


class Signs:
    """A8 moved until ``LOST``, and is high since; writes outside the two banks at ``addresses``."""

    address_lines = {8: "A8"}  # noqa: RUF012

    def __init__(self, addresses, times, *, moves=400):
        outside = np.array(addresses, np.int64)
        self.writes = LatchWrites(np.array(times, np.int64), outside, outside & 0xFF, np.zeros(len(outside), np.int64))
        self.reads = LatchWrites(*(column[:0] for column in (outside, outside, outside, outside)))
        self.span = (0, 1_000_000)
        self.rest = Rest(moves, 2000, 700, 1300, 1, LOST, 500, 30, 0, 1000, 20)

    def latches(self):
        return self.writes

    def outside_reads(self):
        return self.reads

    def address_bit(self, bit):
        return self.rest


@pytest.fixture(scope="module")
def story():
    """Both banks filled and read back before the clip is lost, one access every 1000 ticks."""
    told = [("w", c, c) for c in CELLS] + [("r", c, c) for c in CELLS]
    return Story.of(study_of(told))


def test_writes_that_went_on_beside_the_memory_name_the_clip(story):
    signs = Signs([0x100 + c for c in CELLS], [LOST + 1000 * (1 + c) for c in CELLS])
    (rival,) = ghosts(story, signs)
    assert (rival.fault, rival.scope, rival.lines, rival.explains) == ("clip-off", "clip", ("A8",), 0)
    assert rival.stops_judging and rival.log_seen > 20.0
    assert "32 writes to 32 cells of memory are seen beside it, where A8 is high" in rival.summary


@pytest.mark.parametrize(
    ("addresses", "times"),
    [
        ([0x100 + c for c in CELLS], [1000 * (1 + c) for c in CELLS]),
        ([0x300 + c for c in CELLS], [LOST + 1000 * (1 + c) for c in CELLS]),
        ([0x100] * 32, [LOST + 1000 * (1 + c) for c in CELLS]),
        ([], []),
    ],
    ids=["all along", "elsewhere", "one latch", "nothing"],
)
def test_else_the_program_writes_there_for_reasons_of_its_own(story, addresses, times):
    assert list(ghosts(story, Signs(addresses, times))) == []


def test_memory_that_the_board_file_may_leave_out_proves_nothing(story):
    """The line never moved: the machine may have memory of its own there."""
    signs = Signs([0x100 + c for c in CELLS], [LOST + 1000 * (1 + c) for c in CELLS], moves=0)
    (rival,) = ghosts(story, signs)
    assert rival.log_prior + rival.log_seen < 7.0
    assert "never moved" in rival.summary


def read_back(writes, gave):
    """Each of the writes read again just after it, which gives these bytes."""
    return LatchWrites(writes.time + 500, writes.address, np.array(gave, np.int64), writes.io)


@pytest.mark.parametrize("moves", [400, 0], ids=["came off", "never moved"])
def test_a_place_that_does_not_give_back_what_was_written_is_no_memory(story, moves):
    """A program that has lost its way writes past its memory, and reads what the bus was left with."""
    signs = Signs([0x100 + c for c in CELLS], [LOST + 1000 * (1 + c) for c in CELLS], moves=moves)
    worth = [rival.log_seen for rival in ghosts(story, signs)]
    signs.reads = read_back(signs.writes, [0xFF] * len(CELLS))
    assert list(ghosts(story, signs)) == []
    signs.reads = read_back(signs.writes, signs.writes.data)
    assert [rival.log_seen for rival in ghosts(story, signs)] == worth


def test_memory_of_which_a_few_cells_are_bad_is_memory_all_the_same(story):
    signs = Signs([0x100 + c for c in CELLS], [LOST + 1000 * (1 + c) for c in CELLS])
    (alone,) = ghosts(story, signs)
    signs.reads = read_back(signs.writes, [c ^ (c < 8) for c in CELLS])
    (rival,) = ghosts(story, signs)
    assert rival.log_seen == alone.log_seen


def test_reads_that_give_what_was_written_beside_them_later_are_the_clip_s():
    """While the clip is off bank 0 is written at the addresses of nobody; with the clip back it gives what it holds."""
    told = [("w", c, c) for c in CELLS] + [("r", c, c) for c in CELLS] + [("r", c, c ^ 0x55) for c in CELLS]
    story = Story.of(study_of(told, lambda _, data: data))
    back = int(story.rows.time[2 * len(CELLS)])
    signs = Signs([0x100 + c for c in CELLS], [back - 999 + c for c in CELLS])
    signs.writes = LatchWrites(
        signs.writes.time, signs.writes.address, (signs.writes.address & 0xFF) ^ 0x55, signs.writes.io
    )
    signs.rest = Rest(400, 2000, 700, 1300, 1, back - 1000, 500, 30, 0, 1000, 20)
    (rival,) = ghosts(story, signs)
    assert (rival.explains, rival.against) == (len(CELLS), 0)
    assert rival.log_own > 20.0
    assert sorted(rival.index.tolist()) == sorted(story.rows.index[story.bad].tolist())
