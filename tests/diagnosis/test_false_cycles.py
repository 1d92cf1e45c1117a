"""Cycles cut out at pulses of a strobe: what they spoil is told from what a part of the card spoils."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.bus.columns import Flag
from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.false_cycles import doubtful_cycles, log_false_cycles
from busledger.decoder.diagnosis.rivals.story import Story

from .small_cards import log_of, two_banks

FALSE = (97, 240, 391)


class Flagged:
    """An access log, some of whose cycles are flagged."""

    def __init__(self, log, flag: Flag, rows: tuple[int, ...]) -> None:
        self.log, self.flag, self.rows = log, flag, rows

    def __len__(self) -> int:
        return len(self.log)

    def blocks(self):
        for cycles, compared in self.log.blocks():
            cycles.flags[np.isin(compared.index, self.rows)] |= np.uint16(self.flag)
            yield cycles, compared


class Moved:
    """An access log, some of whose cycles come so many ticks later."""

    def __init__(self, log, later: dict[int, int]) -> None:
        self.log, self.later = log, later

    def __len__(self) -> int:
        return len(self.log)

    def blocks(self):
        for cycles, compared in self.log.blocks():
            cycles = cycles.take(np.arange(len(cycles)))
            cycles.time[:] += np.array([self.later.get(int(i), 0) for i in compared.index], np.int64)
            yield cycles, compared


def story_of(rows: tuple[int, ...], flag: Flag = Flag.SHORT_STROBE) -> Story:
    """Random writes and reads of two banks, sound but for writes ``FALSE`` that no cell took; ``rows`` flagged."""
    rng, holds, told = np.random.default_rng(4), dict.fromkeys(range(32), 0), [("w", c, 0) for c in range(32)]
    for number in range(32, 600):
        cell = int(rng.integers(0, 32))
        if number in FALSE:
            told.append(("w", cell, holds[cell] ^ 0xA5))
        elif number - 1 in FALSE:
            told.append(("r", told[-1][1], holds[told[-1][1]]))
        elif rng.random() < 0.5:
            holds[cell] = int(rng.integers(0, 256))
            told.append(("w", cell, holds[cell]))
        else:
            told.append(("r", cell, holds[cell]))
    board = two_banks()
    log = Flagged(log_of(board, told), flag, rows)
    return Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log, 1e-9)))


def test_a_cycle_is_doubtful_where_it_is_shorter_than_nearly_all():
    assert np.flatnonzero(doubtful_cycles(story_of(FALSE)) == 2).tolist() == list(FALSE)
    assert not doubtful_cycles(story_of(tuple(range(300)))).any()
    assert np.flatnonzero(doubtful_cycles(story_of(FALSE, Flag.UNSETTLED)) == 1).tolist() == list(FALSE)


def test_a_false_write_that_no_cell_took_costs_little():
    story = story_of(FALSE)
    assert np.count_nonzero(story.rows.wrong) >= len(FALSE)
    assert log_false_cycles(story) > -20.0


def test_a_cycle_closer_to_another_than_the_bus_makes_them_is_doubtful():
    """One in the middle of the cycle after it, one at its very end: 1000 ticks lie between the others."""
    accesses = [("r", cell % 32, 0) for cell in range(400)]
    log = log_of(two_banks(), accesses)
    story = Story.of(Study(Evidence(two_banks(), ProfileFacts(16, 8), (), Moved(log, {50: 500, 90: 900}), 1e-9)))
    found = doubtful_cycles(story)
    assert np.flatnonzero(found == 2).tolist() == [50, 51]
    assert np.flatnonzero(found == 3).tolist() == [90, 91]


@pytest.mark.parametrize("rows", [(), (100, 200, 300)], ids=["none is short", "others are short"])
def test_it_is_dear_where_the_writes_were_as_long_as_the_others(rows):
    assert log_false_cycles(story_of(rows)) < log_false_cycles(story_of(FALSE)) - 8.0
