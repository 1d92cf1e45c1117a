"""Cells that lose their value with time: each keeps it for a time of its own, so that what one showed tells what it
shows again."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.replay.theory import Decay
from busledger.decoder.diagnosis.replay.wear import run_decay

from .rows_of import study_of
from .small_cards import Access

CELLS, ROUNDS = 16, 10
D0_GOES_HIGH = Decay(0x01, (0,), True, False, -1)


def _log_of(times: np.ndarray, longer: bool = True) -> float:
    """Log likelihood of decay where a cell loses lane D0 after so many accesses: ``times``, float64[rounds, cells].

    Each round fills bank 0, goes on in bank 1 for a while, longer every time or always as long, and reads bank 0 back.
    """
    accesses: list[Access] = []
    seen: list[int] = []
    for turn in range(len(times)):
        filled = len(accesses)
        accesses += [("w", cell, 0x00) for cell in range(CELLS)]
        accesses += [("w", 16, 0x00)] * (40 * (turn + 1 if longer else 4))
        for cell in range(CELLS):
            age = len(accesses) - (filled + cell)
            seen.append(int(age > times[turn, cell]))
            accesses.append(("r", cell, 0x00))
    reads = iter(seen)
    study = study_of(accesses, lambda _, __: next(reads))
    found = run_decay([D0_GOES_HIGH], study.cells, study.blocks)[D0_GOES_HIGH].log_own
    assert found is not None
    return found


def test_a_time_of_its_own_for_each_cell_is_likelier_than_as_many_losses_that_come_anew() -> None:
    rng = np.random.default_rng(6)
    own = 150.0 * np.exp(0.4 * rng.standard_normal(CELLS))
    each_time_anew = 150.0 * np.exp(0.4 * rng.standard_normal((ROUNDS, CELLS)))
    assert _log_of(np.tile(own, (ROUNDS, 1))) > _log_of(each_time_anew) + 5.0


def test_losses_that_come_anew_are_still_told_from_chance() -> None:
    """Cells whose times change from fill to fill: the likelihood is no worse than if none had a time of its own."""
    rng = np.random.default_rng(7)
    found = _log_of(150.0 * np.exp(0.4 * rng.standard_normal((ROUNDS, CELLS))))
    chance = ROUNDS * CELLS * np.log(0.5)
    assert found > chance + 10.0


def test_what_is_lost_at_one_age_now_and_then_is_no_time_of_the_cell_s_own() -> None:
    """Every cell is read back at one age, and gone in one read of four: each would keep it for just that long."""
    rng = np.random.default_rng(8)
    rounds = 24
    lost = rng.random((rounds, CELLS)) < 0.25
    found = _log_of(np.where(lost, 0.0, np.inf), longer=False)
    drawn = lost.sum() * np.log(lost.mean()) + (~lost).sum() * np.log(1.0 - lost.mean())
    assert found < drawn + 10.0, "about what a fault costs that comes and goes at any time; 30 nats if it were free"


def test_what_cells_show_once_at_one_age_is_no_cheaper_for_times_of_their_own() -> None:
    """Every cell is read back at about one age, one in four is gone, and each shows the same again: that is as
    unlikely as a draw for each cell, wherever in the bin of that age their times may lie."""
    lost = np.arange(CELLS) % 4 == 0
    found = _log_of(np.tile(np.where(lost, 0.0, np.inf), (2, 1)), longer=False)
    drawn = lost.sum() * np.log(lost.mean()) + (~lost).sum() * np.log(1.0 - lost.mean())
    assert found < drawn + 0.5
