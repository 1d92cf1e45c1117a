"""A wrong read of which nobody knows whether it went astray, or showed what a lost write had left: the read after the
next write tells, for that write may have been lost as well."""

from __future__ import annotations

from busledger.decoder.diagnosis.replay.replay import PathRun, Tables
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import Tally

from .rows_of import study_of
from .small_cards import Access

A3_LOW = PathFault("forced", (0, 3, 0), 0xFF, (0,))  # cell 9 leads to cell 1, which nobody uses
WRITTEN, ASTRAY, LOST = 0x67, 0xE4, 0x98


def _now_and_then(accesses: list[Access], seen: list[int]) -> Tally:
    reads = iter(seen)
    study = study_of(accesses, lambda _, __: next(reads))
    run = PathRun(A3_LOW, Tables(study))
    run.feed(study.rows())
    return run.effects()[1].tally


def test_a_read_went_astray_and_the_write_after_it_was_lost() -> None:
    """The cell still holds what was written first, though what it was believed to hold is what the stray read gave."""
    accesses = [("w", 9, WRITTEN), ("r", 9, WRITTEN), ("w", 9, LOST), ("r", 9, LOST)]
    tally = _now_and_then(accesses, [ASTRAY, WRITTEN])
    assert (tally.hits, tally.explained, tally.excused) == (2, 2, 0)


def test_both_writes_were_lost_and_the_cell_shows_what_it_held_before() -> None:
    accesses = [("w", 9, WRITTEN), ("r", 9, WRITTEN), ("w", 9, LOST), ("r", 9, LOST)]
    tally = _now_and_then(accesses, [ASTRAY, ASTRAY])
    assert (tally.hits, tally.explained, tally.excused) == (2, 2, 0)


def test_what_is_neither_of_the_two_is_excused_and_not_explained() -> None:
    accesses = [("w", 9, WRITTEN), ("r", 9, WRITTEN), ("w", 9, LOST), ("r", 9, LOST)]
    tally = _now_and_then(accesses, [ASTRAY, 0x11])
    assert (tally.explained, tally.excused) == (1, 1)


def test_a_right_read_between_takes_the_doubt_away() -> None:
    """It shows that the write took: what was written before is gone, and the next lost write leaves what this one put.
    """
    accesses = [("w", 9, WRITTEN), ("r", 9, WRITTEN), ("r", 9, WRITTEN), ("w", 9, 0x20), ("r", 9, 0x20)]
    accesses += [("w", 9, LOST), ("r", 9, LOST)]
    tally = _now_and_then(accesses, [ASTRAY, WRITTEN, 0x20, 0x20])
    assert (tally.explained, tally.excused) == (2, 0)


def test_a_value_seen_twice_was_in_the_cell_and_tells_nothing_of_the_one_next_to_it() -> None:
    """The write was lost, and so nobody has seen yet what the cell that A3 leads to holds: a read may show anything."""
    accesses = [("w", 9, WRITTEN), ("r", 9, WRITTEN), ("r", 9, WRITTEN), ("w", 9, 0x20), ("r", 9, 0x20), ("r", 9, 0x20)]
    tally = _now_and_then(accesses, [ASTRAY, ASTRAY, 0x20, 0x77])
    assert (tally.explained, tally.excused) == (3, 0)
