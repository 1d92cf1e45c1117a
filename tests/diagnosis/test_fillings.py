"""How likely it is what programs write: held against the probabilities of plain chains."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.fillings import log_filled, log_turns

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
