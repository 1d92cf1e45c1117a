"""An address line that is stuck shows in the data of one lane alone, and that lane is joined to another one."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.behind_shorts import behind_shorts
from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.search import search

from .rows_of import study_of
from .small_cards import Access

D1, D6 = 0x02, 0x40


def _by_address(cell: int, turn: int) -> int:
    """Data whose D1 alone goes by A3: cells that differ in A3 and nothing else hold the same in all other lanes."""
    return ((cell & 0x17) * 53 + turn * 29) & 0xFF & ~D1 | (D1 if (cell >> 3 ^ turn) & 1 else 0)


def _joined(_: int, data: int) -> int:
    return data if data & D1 and data & D6 else data & ~(D1 | D6)


@pytest.mark.parametrize("level", [0, 8])
def test_the_line_is_tried_before_the_short(level):
    """A3 of the whole board is stuck; D1 and D6 are joined, low wins."""
    made: list[Access] = []
    memory = np.array([_by_address(cell, 0) for cell in range(32)])
    for turn in range(12):
        for cell in range(24):
            memory[cell & ~8 | level] = _by_address(cell, turn)
            made.append(("w", cell, _by_address(cell, turn)))
        made += [("r", cell, int(memory[cell & ~8 | level])) for cell in range(32)]
    study = study_of(made, _joined)
    card = Card(study, study.rows())
    short = next(s for s in search(card) if [path.key[:2] for path in s.paths] == [("bridged", "bus")])
    assert short.rows.wrong.any()
    told = [[path.scored.candidate for path in s.paths] for s in behind_shorts(card, short)]
    assert ["address-stuck", "bridged"] in [[c.fault for c in one] for one in told]
    assert any(not s.rows.wrong.any() for s in behind_shorts(card, short))
