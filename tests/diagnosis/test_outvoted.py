"""Cells that nobody wrote, and a lane that is at one level so often that most of their reads show that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.weighing import Tally

from .rows_of import acting, candidate, laid_over, study_of


def after(told, hits, misses):
    """What D1 of the driver at times high leaves of reads, and log of the chance of what it takes."""
    study = study_of(told)
    fault = acting(candidate(study, "stuck-high", "buffer", component="U10", lanes=0x02), hard=False)
    chances = np.zeros((WINDOWS, 2), np.int64)
    chances[:] = hits, misses
    effect = replace(fault.effect, tally=Tally(hits=hits, misses=misses), chances=chances)
    overlay = FoundFault(replace(fault, effect=effect), study)
    return laid_over(overlay, study.rows()), overlay.log_outvoted


def test_a_read_that_shows_the_other_level_tells_what_the_cell_holds():
    """Four reads of five show D1 high: that is what the lane does, and 0x44 what the cell holds."""
    left, log = after([("r", 3, 0x46), ("r", 3, 0x44), *[("r", 3, 0x46)] * 3], hits=60, misses=40)
    assert not left.wrong.any()
    assert -4.0 < log < -2.0


def test_a_fault_that_hardly_ever_acts_outvotes_nobody():
    left, log = after([("r", 3, 0x46)] * 6 + [("r", 3, 0x44)], hits=1, misses=999)
    assert np.count_nonzero(left.wrong) == 1 and log == 0.0


def test_what_was_written_needs_no_vote():
    told = [*[("r", 3, 0x46)] * 4, ("w", 3, 0x46), ("r", 3, 0x44)]
    left, log = after(told, hits=60, misses=40)
    assert np.count_nonzero(left.wrong) == 1 and log == 0.0
