"""An address line that is wrong now and then: writes go astray as well, and what was there long before shows again."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.playing import play
from busledger.decoder.diagnosis.replay import led, memory_kernel
from busledger.decoder.diagnosis.replay.led import by_cell, follow
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.scoring import Scored, log_own

from .rows_of import candidate, laid_over, study_of
from .small_cards import Access

A2_HIGH = PathFault("forced", (0, 2, 1), 0xFF, (0,))
RATE = 0.15


def counters(rounds: int, seed: int) -> list[Access]:
    """Two cells that count, and one that neither shares a line with, each read before and after it is written."""
    rng = np.random.default_rng(seed)
    made: list[Access] = []
    held = {1: 0, 2: 90, 8: 170}
    for cell, value in held.items():
        made.append(("w", cell, value))
    for cell in rng.choice(list(held), rounds).tolist():
        made.append(("r", cell, held[cell]))
        held[cell] = held[cell] + 1 & 0xFF
        made.append(("w", cell, held[cell]))
    return made


def card(accesses: list[Access], line: int, rate: float, seed: int) -> Study:
    """A card whose A-``line`` is high at that rate, as cell and cell come to it."""
    rng = np.random.default_rng(seed)
    cells = rng.integers(0, 256, 32).tolist()
    gave = []
    for kind, address, data in accesses:
        there = address | 1 << line if rng.random() < rate else address
        if kind == "w":
            cells[there] = data
        else:
            gave.append(cells[there])
    reads = iter(gave)
    return study_of(accesses, lambda *_: next(reads))


def found(study: Study, line: int) -> Effect:
    """That line of the first bank, wrong now and then."""
    fault = A2_HIGH._replace(numbers=(0, line, 1))
    return play(study, [fault], study.rows(), None)[fault][1]


@pytest.mark.parametrize("seed", range(4))
def test_reads_that_show_older_values_are_all_explained_and_by_the_right_line(seed: int) -> None:
    study = card(counters(400, seed), 2, RATE, seed)
    rows = study.rows()
    wrong = int(np.count_nonzero(rows.wrong))
    older = 0  # reads that show what lay in the cell before its last two writes
    for cell in (1, 2, 8):
        mine = np.flatnonzero(rows.cell == cell)
        writes = [int(rows.data[k]) for k in mine if rows.is_write[k]]
        older += sum(int(rows.data[k]) not in writes[-2:] for k in mine if rows.wrong[k])
    assert wrong > 20 and older
    right = found(study, 2)
    assert (right.tally.explained, right.tally.excused) == (wrong, 0)
    scored = log_own(_scored(study, 2), 8)
    assert all(log_own(_scored(study, line), 8) + 8.0 * _left(study, line, wrong) < scored for line in (1, 3))


def _left(study: Study, line: int, wrong: int) -> float:
    return -(wrong - found(study, line).tally.explained)


def _scored(study: Study, line: int) -> Scored:
    one = candidate(study, "address-stuck", "region", region=0, lines=(line,))
    high = next(v for v in one.variants if isinstance(v.behaviour, PathFault) and v.behaviour.numbers[-1] == 1)
    return Scored(one, high, False, found(study, line))


def test_what_was_weighed_by_stories_is_laid_over_by_them() -> None:
    study = card(counters(400, 1), 2, RATE, 1)
    left = laid_over(FoundFault(_scored(study, 2), study), study.rows())
    assert not left.wrong.any()


def test_random_data_are_not_explained_for_nothing() -> None:
    """A chip that gives anything: where that is an old value of a cell it is by chance, and costs more than it is
    worth."""
    rng = np.random.default_rng(5)
    study = study_of(counters(400, 5), lambda _, data: int(rng.integers(0, 256)) if rng.random() < 0.2 else data)
    told = found(study, 2)
    wrong = int(np.count_nonzero(study.rows().wrong))
    assert told.tally.explained < 0.4 * wrong
    assert told.log_led is not None and told.log_led < -6.0 * told.tally.explained


def test_a_rom_is_read_elsewhere_and_takes_no_writes() -> None:
    """What the fault leads to a ROM is lost there, and reads of a ROM show its other words."""
    study = card(counters(200, 3), 2, RATE, 3)
    maps = study.maps(A2_HIGH)
    rows, nowhere = study.rows(), np.full(len(maps.w1), -1, np.int32)
    fresh = study.fresh_words()
    taking = follow(A2_HIGH, maps, rows, by_cell(rows), fresh, np.full(WINDOWS, RATE))
    rom = replace(maps, w1=np.where(maps.w1 != study.cells.identity, nowhere, maps.w1))
    lost = follow(A2_HIGH, rom, rows, by_cell(rows), fresh, np.full(WINDOWS, RATE))
    assert taking is not None and lost is not None
    assert 0 < np.count_nonzero(lost.explained) < np.count_nonzero(taking.explained)


def test_accesses_that_nobody_takes_at_times_leave_what_was_there_before_several_writes() -> None:
    """A row that is gone in half of its accesses: one story of its cells could but excuse what several of them left."""
    rng = np.random.default_rng(2)
    cells = rng.integers(0, 256, 32).tolist()
    gave = []
    accesses = counters(300, 2)
    for kind, address, data in accesses:
        gone = rng.random() < 0.5
        if kind == "r":
            gave.append(0xFF if gone else cells[address])
        elif not gone:
            cells[address] = data
    reads = iter(gave)
    study = study_of(accesses, lambda *_: next(reads))
    silent = PathFault("silent", (), 0xFF, (0,), floats=memory_kernel.PULLED_UP)
    told = play(study, [silent], study.rows(), None)[silent][1]
    wrong = int(np.count_nonzero(study.rows().wrong))
    assert wrong > 100
    assert (told.tally.explained, told.tally.excused) == (wrong, 0)
    # Each access goes one way or the other, and little else is to be known.
    assert told.log_led is not None and told.log_led > -1.2 * len(accesses) * math.log(2.0)


def test_a_line_of_the_card_may_act_at_another_rate_in_each_row(monkeypatch: pytest.MonkeyPatch) -> None:
    """How hard a row's chips load a line differs from row to row: it is one fault all the same."""
    rng = np.random.default_rng(3)
    cells = rng.integers(0, 256, 32).tolist()
    accesses, gave = [], []
    for _ in range(400):
        bank = int(rng.integers(0, 2))
        address, value = 16 * bank + int(rng.integers(0, 2)) * 8 + 1, int(rng.integers(0, 256))
        for kind in "wr":
            there = address | 4 if rng.random() < (0.5, 0.02)[bank] else address
            accesses.append((kind, address, value))
            if kind == "w":
                cells[there] = value
            else:
                gave.append(cells[there])
    reads = iter(gave)
    study = study_of(accesses, lambda *_: next(reads))
    board = PathFault("forced-board", (2, 1), 0xFF, (0, 1))

    def like() -> float:
        found = play(study, [board], study.rows(), None)[board][1].log_led
        assert found is not None
        return found

    apart = like()
    monkeypatch.setattr(led, "REGIONS_APART", 1e-12)
    assert apart > like() + 5.0
