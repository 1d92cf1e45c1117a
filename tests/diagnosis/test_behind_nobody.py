"""A row whose select is seen never to come, on a bus that floats high, but for one lane that is low."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.search import search

from .rows_of import study_of
from .small_cards import Access
from .test_clipped import CS0, seen


def _best(gave: int) -> CardState:
    """The best set of a row of which each read gives that."""
    rng = np.random.default_rng(4)
    accesses: list[Access] = []
    for cell in rng.integers(0, 16, 80).tolist():
        data = int(rng.integers(0, 256))
        accesses += [("w", cell, data), ("r", cell, data)]
    study = study_of(accesses, lambda *_: gave)
    return search(Card(study, seen(study.rows(), [0] * len(accesses), clipped=CS0)))[0]


@pytest.mark.parametrize(("gave", "kinds"), [(0xFF, {"select-missing"}), (0xFD, {"select-missing", "stuck-low"})])
def test_the_lane_that_differs_is_told_beside_the_select(gave: int, kinds: set[str]) -> None:
    best = _best(gave)
    assert {path.key[0] for path in best.paths} == kinds
    assert all(path.scored.hard for path in best.paths)
    assert not best.rows.wrong.any()
