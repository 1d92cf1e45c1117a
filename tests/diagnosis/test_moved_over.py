"""A program that goes on beside its memory finds the same bytes there: the clip of the line between is off."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.coverage.signs import LatchWrites
from busledger.decoder.diagnosis.rivals.moved_over import moved_over
from busledger.decoder.diagnosis.rivals.read_beside import ReadBeside
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


def beside(reads: list[tuple[int, int, int]]) -> ReadBeside:
    """Of reads outside the banks: (ticks, address, what they give)."""
    time, address, data = (np.array(column, np.int64) for column in zip(*reads, strict=True))
    return ReadBeside.of(LatchWrites(time, address, data, np.zeros(len(time), np.int64)))


def test_the_same_bytes_beside_the_memory_are_its_own(story):
    outside = beside([(LOST + 1 + c, 1 << BIT | c, holds(c)) for c in CELLS])
    found = moved_over(story, outside, BIT, LOST, BACK)
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
    assert moved_over(story, beside(reads), BIT, LOST, BACK).log == 0.0


@pytest.mark.parametrize("filled", [lambda c: 0xAA if c & 1 else 0x55, lambda c: c ^ 0x40, lambda c: 0])
def test_what_a_test_fills_memory_with_is_alike_everywhere(filled):
    told = [("w", c, filled(c)) for c in CELLS] + [("r", c, filled(c)) for c in CELLS]
    outside = beside([(LOST + 1 + c, 1 << BIT | c, filled(c)) for c in CELLS])
    assert moved_over(Story.of(study_of(told)), outside, BIT, LOST, BACK).log == 0.0


@pytest.mark.parametrize("high", [0, 1 << 22], ids=["looked up in a table", "sorted"])
def test_each_address_stands_once_with_its_first_byte_and_the_times_of_its_first_and_last_read(high):
    reads = [(1, high | 7, 10), (2, high | 3, 20), (5, high | 7, 11), (6, high | 9, 30), (9, high | 3, 20)]
    found = beside(reads)
    assert (found.address - high).tolist() == [7, 3, 9]
    assert found.data.tolist() == [10, 20, 30]
    assert (found.first.tolist(), found.last.tolist()) == ([1, 2, 6], [5, 9, 6])


def test_what_was_read_beside_the_memory_at_other_times_is_known_too(story):
    """Code of a ROM that no board file names: it is read at its place before the clip is lost, and beside it then."""
    there = [(t, 0x400 | c, holds(c)) for t, c in zip(range(70_000, 70_032), CELLS, strict=True)]
    outside = beside([*there, *((LOST + 1 + c, 0x400 | 1 << BIT | c, holds(c)) for c in CELLS)])
    assert moved_over(story, outside, BIT, LOST, BACK).log > 50.0
    changing = [(t + 100, a, byte ^ 1) for t, a, byte in there]  # registers, say: who gives another byte each time
    both = beside([*there, *changing, *((LOST + 1 + c, 0x400 | 1 << BIT | c, holds(c)) for c in CELLS)])
    assert moved_over(story, both, BIT, LOST, BACK).log == 0.0


def unrolled(rounds: int, length: int) -> list[int]:
    """A program that does one thing over and over: two bytes in three are the same in each round."""
    of_round = np.random.default_rng(11).integers(0, 256, (rounds, length))
    of_round[:, np.arange(length) % 3 != 2] = of_round[0, np.arange(length) % 3 != 2]
    return of_round.reshape(-1).tolist()


def test_code_that_repeats_itself_is_a_third_alike_at_any_distance(story):
    """Rounds of 30 bytes, of which the ones at the line's other level fall on the same third now and then."""
    code = unrolled(8, 30)
    known = [(t, 0x400 | c, byte) for t, (c, byte) in enumerate(enumerate(code[:120]), 70_000)]
    later = [byte if c % 3 == 0 else byte ^ 0x11 for c, byte in enumerate(code[120:])]
    outside = beside([*known, *((LOST + 1 + c, 0x400 | 1 << BIT | c, byte) for c, byte in enumerate(later))])
    found = moved_over(story, outside, BIT, LOST, BACK)
    assert found.same > 20
    assert found.log < 10.0


def test_code_that_repeats_itself_is_all_alike_where_the_clip_is_off(story):
    code = unrolled(4, 30)
    known = [(t, 0x400 | c, byte) for t, (c, byte) in enumerate(enumerate(code), 70_000)]
    outside = beside([*known, *((LOST + 1 + c, 0x400 | 1 << BIT | c, byte) for c, byte in enumerate(code))])
    found = moved_over(story, outside, BIT, LOST, BACK)
    assert (found.same, found.cells) == (120, 120)
    assert found.log > 20.0


def test_code_that_comes_again_at_the_line_s_own_distance_says_nothing_of_the_clip(story):
    """Rounds of just 256 bytes, seen while the line moved: three quarters of each are those of the one before."""
    rounds = np.random.default_rng(12).integers(0, 256, (3, 1 << BIT))
    rounds[:, np.arange(1 << BIT) % 4 != 3] = rounds[0, np.arange(1 << BIT) % 4 != 3]
    known = [(70_000 + c, 0x400 | c, byte) for c, byte in enumerate(rounds[:2].reshape(-1).tolist())]
    later = [(LOST + 1 + c, 0x600 | c, byte) for c, byte in enumerate(rounds[2, :64].tolist())]
    found = moved_over(story, beside([*known, *later]), 9, LOST, BACK)
    assert found.same > 40
    assert found.log < 10.0
