"""A data line at rest while cells are written: its clip may be off, or the data leave it alone for a while."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.written_without import log_written_without

from .rows_of import study_of

CELLS = range(32)
D7 = np.uint32(0x80)
WRITTEN = (1, 32 * 1000)  # ticks of the 32 writes; the clip is back for the reads


def log_of(data: Callable[[int], int]) -> float:
    """Cells hold ``data``; as they were written, D7 was seen low throughout."""
    accesses = [*(("w", cell, data(cell) & 0x7F) for cell in CELLS), *(("r", cell, 0) for cell in CELLS)]
    return log_written_without(Story.of(study_of(accesses, lambda address, _: data(address))), D7, *WRITTEN)


def test_patterns_that_come_back_whole_were_written_without_the_clip():
    """55 and AA by turns: D7 is what the rest of the word says."""
    assert log_of(lambda cell: 0xAA if cell % 2 else 0x55) > -6.0


def test_data_of_chance_cost_what_they_would_at_any_time():
    chance = np.random.default_rng(5).integers(0, 256, 32).tolist()
    assert -32 * np.log(2.0) - 5.0 < log_of(lambda cell: chance[cell]) < -15.0


def test_data_that_go_by_the_address_come_back_wrong_in_runs():
    """Each address is its own data in part: D7 is as one of its lines is, and so for half of the cells on end."""
    mixed = [(cell * 37 & 0x7F) | (0x80 if cell >= 16 else 0) for cell in CELLS]
    assert log_of(lambda cell: mixed[cell]) > -12.0  # against 22 of data of chance


def test_a_count_that_leaves_the_lane_alone_and_a_cell_or_two_that_are_wrong_speak_against_the_clip():
    """Each address is its own data (common practice): D7 is low in every cell, and two show it high."""
    found = log_of(lambda cell: cell | (0x80 if cell in (9, 21) else 0))
    assert found < -8.0  # two that are wrong would cost a fault that comes and goes no more


def test_without_writes_in_that_time_nothing_is_said():
    accesses = [("w", cell, cell) for cell in CELLS] + [("r", cell, cell) for cell in CELLS]
    assert log_written_without(Story.of(study_of(accesses)), D7, 90_000, 99_000) == 0.0
