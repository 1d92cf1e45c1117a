"""One lane that comes wrong in several rows, in each at a rate of its own, is one driver and no four chips."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.replay.weighing import Tally, log_sometimes

from .many_regions import evidence_of_regions

D6 = np.uint32(0x40)


def _high(line: int, seed: int):
    """D6 reads high in six reads of ten, where one address line is high."""
    rng = np.random.default_rng(seed)
    where = (np.arange(16) >> line & 1).astype(np.bool_)

    def bend(data: np.ndarray) -> np.ndarray:
        return np.where(where & (rng.random(data.shape) < 0.6), data | D6, data)

    return bend


def test_a_lane_that_goes_by_something_else_in_each_row_is_shared():
    bad = {k: _high(line, k) for k, line in enumerate((0, 1, 2, 3, 0, 1))}
    found = diagnose(evidence_of_regions(6, bad, fills=12))
    sound = {part.component for part in found.parts if part.bad >= 0.5} - {"D1"}
    assert not sound, [(s.summary, s.probability) for s in found.suspects]
    assert found.suspects[0].scope in ("bus", "buffer")


def test_chips_with_a_lane_of_their_own_each_are_chips():
    lanes = (0x40, 0x10, 0x20)
    bad = {k: (lambda data, lane=lane: data | np.uint32(lane)) for k, lane in enumerate(lanes)}
    found = diagnose(evidence_of_regions(3, bad, fills=6))
    assert {part.component for part in found.parts if part.bad >= 0.5} == {"U2", "U4", "U6"}


def test_rates_that_differ_by_region_cost_no_more_than_each_by_itself():
    chances = np.zeros((4, 1024, 2), np.int64)
    chances[:, 5] = [(40, 10), (2, 300), (1, 200), (30, 60)]
    tally = Tally(hits=73, misses=570)
    together = log_sometimes(tally, chances.sum(axis=0), 1)
    apart = log_sometimes(tally, chances.sum(axis=0), 1, apart=tuple(chances))
    assert apart > together + 40.0
    one = chances.copy()
    one[1:] = 0
    same = log_sometimes(Tally(hits=40, misses=10), one.sum(axis=0), 1, apart=tuple(one))
    # one region alone shows it: nothing sets regions apart
    assert same == pytest.approx(log_sometimes(Tally(hits=40, misses=10), one.sum(axis=0), 1), abs=0.3)
