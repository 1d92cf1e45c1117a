"""Two chips that drive the same lanes, one of which holds what nobody knows: one lane in four comes out wrong."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.diagnosis.fights import log_fights
from busledger.decoder.diagnosis.replay.memory_kernel import LOW_WINS, NOBODY_KNOWS
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import Tally

from .rows_of import study_of

READS = 40


def rows_with(masks):
    told = [("w", 3, 0xFF), *(("r", 3, 0xFF) for _ in masks)]
    wrong = iter(masks)
    return study_of(told, lambda address, data: data ^ int(next(wrong))).rows()


def scored(joins=NOBODY_KNOWS, unsure=8 * READS):
    behaviour = PathFault("also", (0, 1), 0xFF, (0, 1), joins=joins)
    return SimpleNamespace(
        variant=SimpleNamespace(behaviour=behaviour), candidate=SimpleNamespace(regions=(0,), mask=0xFF),
        effect=SimpleNamespace(tally=Tally(hits=READS, unsure_bits=unsure)),
    )  # fmt: skip


def test_contents_that_were_replaced_are_wrong_on_every_second_lane():
    replaced = np.random.default_rng(2).integers(1, 256, READS)
    assert log_fights(scored(), rows_with(replaced)) < -READS / 2.0


@pytest.mark.parametrize("one", [scored(LOW_WINS), scored(unsure=4 * READS)], ids=["low wins", "known contents"])
def test_it_speaks_of_levels_that_nobody_knows_alone(one):
    assert log_fights(one, rows_with([0x0F] * READS)) == 0.0


def test_few_wrong_lanes_are_no_sign_of_a_fight():
    assert log_fights(scored(), rows_with([0x02] * READS)) == 0.0
