"""Writes that were not seen, for want of the strobe's clip: a program's own are likelier than anybody's."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.unseen_writes import Unseen, log_crowded, log_unseen, restless

from .rows_of import study_of

CELLS = range(32)
STACK = range(24, 30)


def before() -> tuple[list[tuple[str, int, int]], dict[int, int]]:
    """Memory filled with 55 and AA by turns and read, and a stack in use; what it holds in the end."""
    rng = np.random.default_rng(1)
    holds = {c: 0x55 if c & 1 else 0xAA for c in CELLS}
    told = [("w", c, holds[c]) for c in CELLS] + 2 * [("r", c, holds[c]) for c in CELLS]
    for _ in range(8):
        holds.update({c: int(rng.integers(0, 256)) for c in STACK})
        told += [("w", c, holds[c]) for c in reversed(STACK)] + [("r", c, holds[c]) for c in STACK]
    return told, holds


def log_of(later: list[tuple[int, int]]) -> float:
    """Log probability of the reads (cell, what it gives) that follow, no write between."""
    told, _ = before()
    story = Story.of(study_of([*told, *(("r", cell, value) for cell, value in later)]))
    rows = story.rows
    inside = np.arange(len(rows)) >= len(told)
    fresh = inside & (rows.wrong != 0) & (story.repeat != 1)
    assert fresh.any()
    asked = np.flatnonzero(inside & (rows.compared != 0))
    return log_unseen(story, Unseen(asked, fresh, np.flatnonzero(fresh), restless(rows, inside, writes_too=False)))


def test_a_fill_by_a_rule_costs_next_to_nothing():
    rng = np.random.default_rng(2)
    filled = [(c, 0xAA if c & 1 else 0x55) for c in range(24)]
    anything = [(c, int(rng.integers(0, 256))) for c in range(24)]
    assert log_of(filled) > -40.0
    assert log_of(filled) > log_of(anything) + 80.0


def test_new_values_on_the_stack_are_likelier_than_in_cells_that_never_changed():
    _, holds = before()
    values = [int(v) for v in np.random.default_rng(3).integers(0, 256, 6)]
    cells = [*range(18), *STACK]
    on_the_stack = dict(zip(STACK, values, strict=True))
    elsewhere = dict(zip((1, 2, 5, 9, 11, 16), values, strict=True))
    pushed, odd = ([(c, new.get(c, holds[c])) for c in cells] for new in (on_the_stack, elsewhere))
    assert log_of(pushed) > log_of(odd) + 5.0


def test_how_restless_a_cell_is():
    told, _ = before()
    rows = Story.of(study_of(told)).rows
    often = restless(rows, np.zeros(len(rows), np.bool_), writes_too=False)
    assert set(often[list(STACK)].tolist()) == {4}
    assert set(often[:24].tolist()) == {1}
    assert (restless(rows, np.ones(len(rows), np.bool_), writes_too=False) == 0).all()


def test_more_cells_than_the_program_ever_writes_in_such_a_time_were_not_written_by_it():
    """Its fill writes 32 cells in a row; memory that changes in sixty cells within ten reads lost its contents."""
    told, _ = before()
    story = Story.of(study_of(told))
    assert log_crowded(story, 20, 10) == 0.0, "as densely as it fills memory"
    assert log_crowded(story, 60, 10) < -8.0
