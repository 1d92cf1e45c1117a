"""Where a program goes is the processor's doing: one address line out of place in it is a clip's."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.walking import Walk, log_gone_past, walks

from .rows_of import study_of

A2, A3 = 2, 3
LOOP, DATA = range(28, 31), range(2, 12)  # three fetches between two of the data


def reading(astray: range = range(0), bit: int = A3) -> Walk:
    """A loop that reads one byte of data after the other, over and over; those ``astray`` with the line the other way.
    """

    def seen() -> Iterator[tuple[str, int, int]]:
        for turn in range(24):
            for data in DATA:
                yield from (("r", code, 0) for code in LOOP)
                yield ("r", data ^ (1 << bit) if turn == 5 and data in astray else data, 0)

    return walks(Story.of(study_of([("w", cell, cell) for cell in range(31)] + list(seen()))))[-1]


def test_a_program_stays_in_line_between_its_fetches():
    for line in reading().by_line(A3):
        assert len(line.out) == 0 and len(line.in_line) > 100


def test_one_access_out_of_line_is_seen_at_the_level_of_the_clip():
    low, high = reading(range(6, 7)).by_line(A3)
    assert (len(low.out), len(high.out)) == (0, 1)
    assert high.log_told > 5.0 > low.log_told
    assert all(len(line.out) == 0 for line in reading(range(6, 7)).by_line(A2))


def test_what_a_program_does_at_either_level_it_does_by_itself():
    """Words that are used by turns lie out of line as often high as low."""
    rng = np.random.default_rng(3)
    told = [("w", cell, cell) for cell in range(16)] + [("r", int(cell), 0) for cell in rng.integers(0, 16, 2000)]
    walk = walks(Story.of(study_of(told)))[-1]
    assert all(len(line.out) > 20 and line.log_odds < 3.0 for line in walk.by_line(A2))


def test_a_spell_of_several_accesses_is_put_right_at_both_its_ends():
    """The code is fetched four words further for a while: the jumps there and back are gone if the line is put right.
    """
    code = [("r", cell, 0) for _ in range(40) for cell in range(8, 12)]
    code[81:87] = [("r", cell ^ 4, 0) for _, cell, _ in code[81:87]]
    walk = walks(Story.of(study_of([("w", cell, cell) for cell in range(16)] + code)))[0]
    spell = walk.when[-160:][81:87]
    odds, turns, left = walk.put_right(A2, spell)
    assert odds > 3.0 and turns > left
    assert walk.put_right(A3, spell)[0] <= 0.0


def test_a_loop_that_goes_out_of_line_at_the_same_word_each_time_tells_of_no_clip():
    """The byte between two that lie two words apart is fetched four words further, in every turn."""
    told = [("w", cell, cell) for cell in range(31)] + [("r", cell, 0) for _ in range(100) for cell in (8, 13, 10, 20)]
    told += [("r", cell, 0) for _ in range(100) for cell in range(21, 29)]
    _, high = walks(Story.of(study_of(told)))[0].by_line(A2)
    assert len(high.out) == 100 and high.log_odds < 0.0


def gone_past(turns: list[range], low: bool) -> float:
    """Code that is fetched in three places, the last time with A2 ``low`` throughout."""
    told = [("w", cell, cell) for cell in range(32)]
    told += [("r", cell, 0) for _ in range(6) for turn in turns for cell in turn]
    began = len(told)
    told += [("r", cell & ~4 if low else cell, 0) for _ in range(6) for turn in turns for cell in turn]
    story = Story.of(study_of(told))
    return log_gone_past(story, A2, int(story.rows.time[began]), int(story.rows.time[-1]))


def test_code_that_goes_past_a_line_wherever_it_crossed_it_speaks_for_the_clip():
    assert gone_past([range(8), range(8, 16), range(16, 24)], low=True) > 10.0


def test_code_that_crosses_the_line_or_stays_where_it_does_not_move_speaks_for_no_clip():
    assert gone_past([range(8), range(8, 16), range(16, 24)], low=False) == 0.0
    assert gone_past([range(4), range(8, 12)], low=True) == 0.0
