"""A part that is busy after each write: deaf, and with the top bit turned over whatever address is read."""

from __future__ import annotations

from collections.abc import Iterator

from busledger.decoder.diagnosis.rivals.busy import busy_after_writes
from busledger.decoder.diagnosis.rivals.rival import Rival
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of, without_chips

BUSY = 6  # accesses


def accesses(*, top: int = 0x80) -> tuple[list[tuple[str, int, int]], list[int]]:
    """Each cell is written and polled until it is done, the next one written too early; then all are read."""
    told, gave, held = [], [], {}
    for n in range(12):
        cell, value = n, (37 * n + 11) & 0xFF
        told.append(("w", cell, value))
        held[cell] = value
        told.append(("w", cell, 0xEE))  # too early: it is deaf
        told += [("r", cell, 0)] * 8
        gave += [(value ^ top) & 0x80 | 0x3F] * (BUSY - 2) + [value] * (8 - BUSY + 2)
    told += [("r", c, 0) for c in held]
    return told, gave + list(held.values())


def found(top: int = 0x80, *, chips: bool = False) -> list[Rival]:
    told, gave = accesses(top=top)
    values: Iterator[int] = iter(gave)
    study = study_of(told, lambda address, stored: next(values))
    return list(busy_after_writes(Story.of(study) if chips else without_chips(study)))


def test_reads_soon_after_a_write_that_give_its_top_bit_turned_over():
    (rival,) = found()
    assert (rival.fault, rival.scope, rival.against) == ("device", "machine", 0)
    assert rival.addresses is not None and rival.addresses[0] == 0
    assert "busy for a while after each write" in rival.summary
    assert rival.log_own > -30.0


def test_reads_that_keep_the_top_bit_are_no_such_part():
    """Seven lanes that come late are a fault's."""
    assert not found(top=0)


def test_where_chips_of_memory_are_named_it_is_none():
    assert not found(chips=True)
