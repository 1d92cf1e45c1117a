"""A memory test that writes the same data again and again: a write that is lost changes nothing there, so that wrong
reads are no sign of it."""

from __future__ import annotations

import pytest

from busledger.decoder.diagnosis.replay.replay import PathRun, Tables
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import Tally

from .rows_of import study_of
from .small_cards import Access

WRITE_LOST = PathFault("write-lost", (), 0x0F, (0,))


def _now_and_then(second: int) -> Tally:
    """Cell 3 given 7 and then ``second``, read wrong (D2 low) once and right the next time; judged as a lost write."""
    accesses: list[Access] = [("w", 3, 7), ("r", 3, 7), ("w", 3, second), ("r", 3, second), ("r", 3, second)]
    reads = iter([False, True, False])
    study = study_of(accesses, lambda _, data: data ^ 4 if next(reads) else data)
    run = PathRun(WRITE_LOST, Tables(study))
    run.feed(study.rows())
    return run.effects()[1].tally


@pytest.mark.parametrize(("second", "excused"), [(7, 0), (5, 1)])
def test_only_a_write_of_something_new_excuses_a_wrong_read(second: int, excused: int) -> None:
    """What the wrong read gave was in the cell at no time; it is excused where a lost write is thinkable at all."""
    found = _now_and_then(second)
    assert (found.excused, found.other, found.explained) == (excused, 1 - excused, 0)
    assert found.hits == 0 or excused
