"""Memory that answers once more at an address that is no region: cells change by what is written there."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from busledger.decoder.diagnosis.coverage.signs import LatchWrites
from busledger.decoder.diagnosis.rivals.written_beside import written_beside

from .rows_of import study_of, without_chips

TICKS, FAR = 1000, 0x1000
LINES = {bit: f"A{bit}" for bit in range(16)}


def signs_of(*writes):
    """What was written outside all regions: (number of the access before which, address, value)."""
    when, address, value = (np.array(column, np.int64) for column in zip(*writes, strict=True))
    told = LatchWrites(when * TICKS + TICKS // 2, address, value, np.zeros(len(writes), np.int64))
    return SimpleNamespace(latches=lambda: told, address_lines=LINES)


def line_tested(found, far=FAR):
    """Two patterns are written on the near side of a line, the other one on its far side, and the near side read:
    ``found`` says what it gives, by the two."""
    accesses, writes = [], []
    for near, beyond in ((0xAA, 0x55), (0x55, 0xAA), (0xA6, 0xB6), (0x59, 0x49)):
        accesses.append(("w", 3, near))
        writes.append((len(accesses), far | 3, beyond))
        accesses.append(("r", 3, found(near, beyond)))
    return accesses, writes


def test_a_cell_that_gives_what_was_written_on_the_far_side_is_one_with_it():
    accesses, writes = line_tested(lambda near, beyond: beyond)
    story = without_chips(study_of(accesses))
    (rival,) = written_beside(story, signs_of(*writes))
    assert (rival.fault, rival.lines, rival.explains, rival.against) == ("mirrored", ("A12",), 4, 0)
    assert rival.addresses == (0x1000, 0x100F)


def test_where_other_cells_are_written_nothing_is_told():
    accesses, writes = line_tested(lambda near, beyond: beyond)
    elsewhere = [(when, address + 1, value) for when, address, value in writes]
    assert not list(written_beside(without_chips(study_of(accesses)), signs_of(*elsewhere)))


def test_a_cell_that_keeps_its_own_speaks_against_it():
    """One read in four gives something wrong, that was written there by chance."""
    accesses, writes = line_tested(lambda near, beyond: beyond if near in (0xAA, 0xA6) else near)
    assert not list(written_beside(without_chips(study_of(accesses)), signs_of(*writes)))
