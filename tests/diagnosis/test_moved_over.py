"""A program that goes on beside its memory finds the same bytes there: the clip of the line between is off."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import LatchWrites
from busledger.decoder.diagnosis.rivals.moved_over import moved_over
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

CELLS = range(32)
BIT = 8
LOST, BACK = 100_000, 200_000  # ticks


BYTES = np.random.default_rng(8).integers(0, 256, 32).tolist()


def holds(cell: int) -> int:
    return BYTES[cell]


@pytest.fixture(scope="module")
def story() -> Story:
    """Both banks filled and read back before the clip is lost, one access every 1000 ticks."""
    return Story.of(study_of([("w", c, holds(c)) for c in CELLS] + [("r", c, holds(c)) for c in CELLS]))


class Signs:
    """Reads outside the banks: (ticks, address, what they give)."""

    def __init__(self, reads: list[tuple[int, int, int]]) -> None:
        time, address, data = (np.array(column, np.int64) for column in zip(*reads, strict=True))
        self.reads = LatchWrites(time, address, data, np.zeros(len(time), np.int64))

    def outside_reads(self) -> LatchWrites:
        return self.reads


def test_the_same_bytes_beside_the_memory_are_its_own(story):
    signs = Signs([(LOST + 1 + c, 1 << BIT | c, holds(c)) for c in CELLS])
    found = moved_over(story, signs, BIT, LOST, BACK)
    assert (found.same, found.cells) == (len(CELLS), len(CELLS))
    assert found.log > 50.0


@pytest.mark.parametrize(
    "reads",
    [
        [(LOST + 1 + c, 1 << BIT | c, holds(c) ^ 0x42) for c in CELLS],
        [(LOST + 1 + c, 1 << BIT + 1 | c, holds(c)) for c in CELLS],
        [(t + c, 1 << BIT | c, holds(c)) for t in (LOST + 1, BACK + 1) for c in CELLS],
        [(LOST + 1 + c, 1 << BIT, holds(0)) for c in CELLS],
    ],
    ids=["other bytes", "another line", "at other times too", "one address"],
)
def test_else_it_has_gone_elsewhere(story, reads):
    assert moved_over(story, Signs(reads), BIT, LOST, BACK).log == 0.0


@pytest.mark.parametrize("filled", [lambda c: 0xAA if c & 1 else 0x55, lambda c: c ^ 0x40, lambda c: 0])
def test_what_a_test_fills_memory_with_is_alike_everywhere(filled):
    told = [("w", c, filled(c)) for c in CELLS] + [("r", c, filled(c)) for c in CELLS]
    signs = Signs([(LOST + 1 + c, 1 << BIT | c, filled(c)) for c in CELLS])
    assert moved_over(Story.of(study_of(told)), signs, BIT, LOST, BACK).log == 0.0


def test_what_was_read_beside_the_memory_at_other_times_is_known_too(story):
    """Code of a ROM that no board file names: it is read at its place before the clip is lost, and beside it then."""
    there = [(t, 0x400 | c, holds(c)) for t, c in zip(range(70_000, 70_032), CELLS, strict=True)]
    signs = Signs([*there, *((LOST + 1 + c, 0x400 | 1 << BIT | c, holds(c)) for c in CELLS)])
    assert moved_over(story, signs, BIT, LOST, BACK).log > 50.0
    changing = [(t + 100, a, byte ^ 1) for t, a, byte in there]  # registers, say: who gives another byte each time
    both = Signs([*there, *changing, *((LOST + 1 + c, 0x400 | 1 << BIT | c, holds(c)) for c in CELLS)])
    assert moved_over(story, both, BIT, LOST, BACK).log == 0.0
