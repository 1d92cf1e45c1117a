"""A chip that loses its contents with time: only of a cell that was written is it known how long it kept them."""

from __future__ import annotations

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
