"""How likely it is what programs write: held against the probabilities of plain chains."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.rivals.fillings import log_back, log_contents, log_turns

RANDOM = np.random.default_rng(7).integers(0, 256, 200).astype(np.uint32)
CHEAP = -2.0 * 200  # nats: two a value, where a random one costs log 256 = 5.5


def of(values):
    return log_filled(np.array(values, np.uint32), 0xFF)


@pytest.mark.parametrize(
    "values",
    [[0x55, 0xAA] * 100, [0] * 200, [n & 0xFF for n in range(200)], [(n ^ n >> 1) & 0xFF for n in range(200)]],
    ids=["checkerboard", "cleared", "counting", "one bit at a time"],
)
def test_what_a_test_writes_is_cheap(values):
    assert of(values) > CHEAP


def test_what_nothing_foretells_costs_its_bits():
    assert of(RANDOM) == pytest.approx(-200 * math.log(256), abs=40)


def test_no_fewer_than_all_values_share_one():
    """A probability: over all single values it sums to one."""
    assert sum(math.exp(of([value])) for value in range(256)) == pytest.approx(1.0)
    assert of([]) == 0.0


def test_accesses_of_a_kind_that_come_in_runs_are_cheaper_than_by_themselves():
    runs = np.repeat(np.arange(20) % 2 == 0, 25)
    mixed = np.random.default_rng(3).random(500) < 0.5
    assert log_turns(runs) > -120 > -300 > log_turns(mixed)
    turns = np.arange(500) % 2 == 0
    assert log_turns(turns) > -20
    assert log_turns(np.zeros(0, np.bool_)) == pytest.approx(0.0)


def test_what_cells_held_before_is_cheap_though_no_value_foretells_the_next():
    """Of 200 writes all but 20 give a cell what it held one or two contents ago."""
    older = np.where(np.arange(200) % 10 == 0, 0, 1 | (1 + np.arange(200) % 2) << 2).astype(np.uint8)
    cost = log_contents(RANDOM, 0xFF, older, np.zeros(200, np.bool_))
    assert cost > -200 * 1.3 - 20 * math.log(256) > of(RANDOM)
    anywhere = (np.random.default_rng(2).permutation(np.arange(200) % 6) << 2 | 1).astype(np.uint8)
    assert log_back(older) > log_back(anywhere)


def test_of_nothing_there_is_nothing_to_pay():
    none = np.zeros(0, np.uint8)
    assert log_contents(np.zeros(0, np.uint32), 0xFF, none, none == 1) == log_back(none) == pytest.approx(0.0)
