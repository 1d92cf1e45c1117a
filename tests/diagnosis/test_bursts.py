"""A fault that comes in bursts: while it is at work writes and reads go astray together, and many a read comes back
right for that very reason."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

from busledger.decoder.diagnosis.playing import in_bursts
from busledger.decoder.diagnosis.replay.memory_kernel import ASLEEP, AWAKE
from busledger.decoder.diagnosis.replay.replay import Effect, PathRun, Tables
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import hours_of

from .rows_of import study_of
from .small_cards import Access

NONE = np.zeros(0, np.uint32)  # lanes found in cells of unknown contents: not asked here
A3_LOW = PathFault("forced", (0, 3, 0), 0xFF, (0,))
BURSTS = ((300, 360), (900, 950), (1700, 1790))  # accesses in which A3 has no contact


def _at_work(i: int) -> bool:
    return any(first <= i < last for first, last in BURSTS)


def _march(rounds: int) -> list[Access]:
    """Each cell read and written anew, up and down in turn, with data of its own."""
    rng = np.random.default_rng(5)
    held = {cell: int(rng.integers(0, 256)) for cell in range(16)}
    made: list[Access] = [("w", cell, data) for cell, data in held.items()]
    for turn in range(rounds):
        for cell in range(16) if turn % 2 == 0 else range(15, -1, -1):
            made.append(("r", cell, held[cell]))
            held[cell] = int(rng.integers(0, 256))
            made.append(("w", cell, held[cell]))
    return made


def _card_with_bursts() -> Study:
    return _card(_march(70), _at_work)


def _card(accesses: list[Access], acts: Callable[[int], bool]) -> Study:
    memory = [0] * 16
    seen = []
    for i, (kind, cell, data) in enumerate(accesses):
        reached = cell & 7 if acts(i) else cell
        if kind == "w":
            memory[reached] = data
        else:
            seen.append(memory[reached])
    reads = iter(seen)
    return study_of(accesses, lambda _, __: next(reads))


def _first_look(study: Study) -> tuple[Tables, Effect]:
    tables = Tables(study)
    run = PathRun(A3_LOW, tables)
    run.feed(study.rows())
    return tables, run.effects()[1]


def test_a_burst_is_played_again_with_its_hours_and_refutes_less() -> None:
    study = _card_with_bursts()
    tables, first = _first_look(study)
    again = in_bursts(A3_LOW, tables, study.rows(), (first, NONE), often=True)[0]
    wrong = int(np.count_nonzero(study.rows().wrong))
    assert again.hours is not None
    assert again.tally.explained + again.tally.excused == wrong > 60
    assert again.tally.excused < first.tally.excused / 3
    assert again.tally.misses < first.tally.misses
    at_work = again.hours[study.rows().window] == AWAKE
    told = [_at_work(int(i)) for i in study.rows().index]
    assert np.mean(at_work == told) > 0.95


def test_what_acts_at_every_other_access_met_the_writes_before_as_well() -> None:
    """No contact at half of all accesses, from the first to the last: at one rate, and for all that as in a burst."""
    rng = np.random.default_rng(7)
    study = _card(_march(30), lambda _: bool(rng.random() < 0.5))
    tables, first = _first_look(study)
    again = in_bursts(A3_LOW, tables, study.rows(), (first, NONE), often=True)[0]
    assert again.hours is not None and (again.hours == AWAKE).all()
    assert again.tally.misses < 0.6 * first.tally.misses, "many a read came back right because it went astray"
    assert again.tally.explained + again.tally.excused >= first.tally.explained + first.tally.excused


def test_the_hours_of_failures_that_crowd_together() -> None:
    """Twelve hits in three neighbouring windows of many in which every chance was missed."""
    chances = np.zeros((256, 2), np.int64)
    chances[:, 1] = 6
    chances[100:103] = (4, 1)
    found = hours_of(chances)
    assert found is not None
    runs = [(level, len(list(same))) for level, same in itertools.groupby(found.tolist())]
    assert runs == [(ASLEEP, 100), (AWAKE, 3), (ASLEEP, 153)]


def test_what_fails_at_one_rate_has_no_hours() -> None:
    chances = np.zeros((256, 2), np.int64)
    chances[:, 1] = 6
    chances[::16, 0] = 1
    assert hours_of(chances) is None
