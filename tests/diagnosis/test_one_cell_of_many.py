"""One cell that repeats a wrong read for long explains itself alone, not the news of the cells around it."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.card import Card

from .rows_of import study_of

NOISY = tuple(range(40, 900, 40))


def best_of_a_cell(again: int) -> float:
    """The best likelihood of a stuck cell of U1, in 900 accesses of which some reads are wrong on D0 by chance; the
    first wrong one is read so many times ``again``."""
    rng, holds = np.random.default_rng(6), {c: c for c in range(16)}
    told = [("w", c, v) for c, v in holds.items()]
    for number in range(900):
        cell = int(rng.integers(1, 16))
        if number in NOISY:  # a write that the clip saw bent, and the read that tells
            told += [("w", cell, holds[cell] ^ 1), ("r", cell, holds[cell]), ("w", cell, holds[cell])]
        elif rng.random() < 0.5:
            holds[cell] = int(rng.integers(0, 256))
            told.append(("w", cell, holds[cell]))
        else:
            told.append(("r", cell, holds[cell]))
    told += [("w", 0, 0), *[("r", 0, 1)] * again]
    study = study_of(told)
    state = Card(study, study.rows()).weigh(())
    (leaf,) = (leaf for unit, leaf in zip(state_units(study), state.leaves, strict=True) if unit == "U1")
    cells = [s.log_like for s in leaf.states if len(s.faults) == 1 and s.faults[0].candidate.scope == "cell"]
    return max(cells)


def state_units(study) -> list[str | None]:
    return [unit.name for unit in Card(study, study.rows()).units]


def test_reads_that_say_the_same_again_leave_the_others_to_explain():
    assert best_of_a_cell(40) < best_of_a_cell(1) + 10.0
