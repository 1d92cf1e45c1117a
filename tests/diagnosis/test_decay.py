"""A chip that loses its contents with time: only of a cell that was written is it known how long it kept them."""

from __future__ import annotations

import numpy as np

from busledger.decoder.diagnosis.replay import wear
from busledger.decoder.diagnosis.replay.theory import Decay
from busledger.decoder.diagnosis.screening import _decays

from .rows_of import study_of


def test_what_comes_wrong_of_cells_that_nobody_wrote_is_no_decay():
    written, unwritten = 1, 2
    told = [("w", written, 0xFF), ("r", unwritten, 0xFF), *(("r", 5, 0) for _ in range(20))]
    told += [("r", written, 0xFE), *(("r", unwritten, 0xFF) for _ in range(3)), ("r", unwritten, 0xFE)]
    gave = iter([data for kind, _, data in told if kind == "r"])
    study = study_of(told, lambda address, data: next(gave))
    rows = study.rows()
    fault = Decay(mask=0x01, regions=(0,), high=False, refreshes=False, cell=-1)
    effect = _decays(study, [fault], rows)[fault]
    assert (effect.tally.hits, effect.tally.explained) == (1, 1)


def test_cells_by_the_handful_add_up_to_what_all_at_once_do(monkeypatch):
    draw = np.random.default_rng(5)
    held = (2.0 ** draw.uniform(10, 30, 300)).astype(np.int64)
    lost = np.maximum(1, (held * draw.uniform(0.5, 8.0, 300)).astype(np.int64))
    both = wear._steps_of(held) * np.int64(2 * wear._NO_AGE) + wear._steps_of(lost)
    spans, often = np.unique(both, return_counts=True)
    thresholds = np.arange(30, 130)
    at_once = wear._log_own_times(spans, often, thresholds)
    monkeypatch.setattr(wear, "_AT_ONCE", 700)  # seven at a time
    assert np.allclose(wear._log_own_times(spans, often, thresholds), at_once, rtol=1e-12, atol=0.0)


def test_a_chip_all_of_whose_lanes_go_at_once_is_one_chip_with_one_time():
    """Eight lanes that each had a time of its own would have had to choose the same one eight times."""
    draw = np.random.default_rng(1)
    told, written = [], {}
    for step in range(600):
        cell = int(draw.integers(0, 16))
        if cell not in written or draw.random() < 0.2:
            written[cell] = (step, int(draw.integers(0, 255)))
            told.append(("w", cell, written[cell][1], 0))
        else:
            since, data = written[cell]
            told.append(("r", cell, data, 0xFF if step - since >= 40 else data))
    gave = iter([read for kind, _, _, read in told if kind == "r"])
    study = study_of([access[:3] for access in told], lambda *_: next(gave))
    whole = Decay(mask=0xFF, regions=(0,), high=True, refreshes=False, cell=-1)
    rows = study.rows()
    together = _decays(study, [whole], rows)[whole]
    each = sum(wear_of(study, whole._replace(mask=1 << lane), rows) for lane in range(8))
    assert together.tally.explained == np.count_nonzero(rows.wrong) > 50
    assert together.log_own > each + 20.0


def wear_of(study, fault, rows):
    """Log likelihood of one lane alone."""
    return _decays(study, [fault], rows)[fault].log_own
