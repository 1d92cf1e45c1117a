"""A walk that goes on past the moment at which an address line came to rest: its clip has come off."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.carried_over import log_carried_over, written_amiss
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic

from .rows_of import study_of

BIT = 4  # bank 0 below, bank 1 above
STEP = 1000  # ticks from one access to the next, and to the first one


def walks_of(seed: int = 2) -> list[int]:
    """Addresses of sixty walks of eight through one bank or the other."""
    rng = np.random.default_rng(seed)
    begun = rng.integers(0, 2, 60) * 16 + rng.integers(0, 8, 60)
    return [int(a) + k for a in begun for k in range(8)]


def story_of(addresses: list[int]) -> Story:
    return Story.of(study_of([("r", a, 0) for a in addresses]))


def shown_high(first: int, last: int) -> list[int]:
    """The same with A4 shown high from one access to before another."""
    return [a | 1 << BIT if first <= i < last else a for i, a in enumerate(walks_of())]


def at(access: int) -> int:
    return (access + 1) * STEP


def in_the_middle_of_a_low_walk(count: int) -> list[int]:
    return [i for i, a in enumerate(walks_of()) if a < 16 and i % 8 == 4][:count]


def test_a_walk_that_jumps_over_where_the_rest_begins_and_back_where_it_ends_speaks_for_the_clip():
    first, last = in_the_middle_of_a_low_walk(9)[::8]
    story = story_of(shown_high(first, last))
    found = log_carried_over(story, BIT, at(first), at(last - 1), to_end=False)
    assert found > 1.5  # in banks of sixteen cells a program comes out beside where it was often enough
    assert 0.5 < log_carried_over(story, BIT, at(first), 0, to_end=True) < found


def test_a_program_that_begins_elsewhere_speaks_against_it_a_little():
    rests = next(i for i, a in enumerate(walks_of()) if i and i % 8 == 0 and a >= 16 and walks_of()[i - 1] < 16)
    assert -1.0 < log_carried_over(story_of(walks_of()), BIT, at(rests), 0, to_end=True) < 0.0


@pytest.mark.parametrize("addresses", [[], [1, 2, 3], [1] * 40], ids=["nothing", "too few", "one side"])
def test_what_cannot_tell_says_nothing(addresses):
    assert log_carried_over(story_of(addresses), BIT, at(2), at(3), to_end=False) == 0.0


def test_transfers_of_memory_without_signs_are_all_that_is_known():
    time, address = traffic(story_of([3, 17, 4]))
    assert time.tolist() == [at(0), at(1), at(2)]
    assert address.tolist() == [3, 17, 4]


def test_what_was_written_without_the_clip_is_read_on_the_other_side_once_it_is_back():
    """A line that carries A1 and D1 is shown high while four cells are written anew: what 0 and 1 get is shown at 2 and
    3, with D1 high; 10 and 11 are what they seem to be."""
    old, new = (lambda c: 3 * c + 0x60), (lambda c: (5 * c + 0x80) & ~2)
    before = [("w", c, old(c)) for c in range(16)]
    during = [("w", c | 2, new(c) | 2) for c in (0, 1, 10, 11)]
    after = [("r", c, new(c)) for c in (0, 1, 10, 11)]
    story = Story.of(study_of([*before, *during, *after]))
    there, elsewhere = written_amiss(story, 1, 2, at(16), at(19))
    assert [int(story.rows.cell[row]) for row in np.flatnonzero(there)] == [0, 1]
    assert elsewhere == 0
    clip_that_was_on = Story.of(study_of([*before, *(("w", c, new(c)) for c in (2, 3)), ("r", 0, old(0))]))
    nothing, elsewhere = written_amiss(clip_that_was_on, 1, 2, at(16), at(17))
    assert not nothing.any() and elsewhere == 1
