"""How likely it is what was found in cells whose contents nobody knows."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay.contents import log_contents


def contents(words: list[int], levels: list[int], lanes: list[int], width: int = 3) -> float:
    return log_contents(np.array(words, np.int32), np.array(levels, np.uint32), np.array(lanes, np.uint32), width)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 7), st.integers(1, 3)), min_size=1, max_size=4))
def test_the_chances_of_all_contents_sum_to_one(cells):
    """Whatever lanes are unknown in whatever cells: every pattern of their levels, once."""
    words, lanes = [word for word, _ in cells], [mask for _, mask in cells]
    every = itertools.product(*([v for v in range(4) if v & ~mask == 0] for mask in lanes))
    assert sum(math.exp(contents(words, list(levels), lanes)) for levels in every) == pytest.approx(1.0)


def test_nothing_asked_costs_nearly_nothing():
    assert contents([1, 2], [3, 3], [0, 0]) == pytest.approx(math.log(0.8))


def test_lanes_that_were_known_do_not_count():
    assert contents([1, 2], [0b01, 0b11], [0b01, 0b01]) == contents([1, 2], [0b11, 0b01], [0b01, 0b01])


def test_a_memory_that_comes_up_all_alike_is_cheap_and_random_contents_cost_a_bit_each():
    words = list(range(256))
    alike = contents(words, [0xFF] * 256, [0xFF] * 256, 8)
    halves = contents(words, [0xFF * (w >> 6 & 1) for w in words], [0xFF] * 256, 8)
    mixed = contents(words, [0xFF * (w.bit_count() & 1) for w in words], [0xFF] * 256, 8)
    rng = np.random.default_rng(3)
    chance = contents(words, rng.integers(0, 256, 256).tolist(), [0xFF] * 256, 8)
    assert alike > -3.0
    assert chance == pytest.approx(-8 * 256 * math.log(2), rel=0.03)
    # That it hangs on one address bit is cheap, on all of them it is not; that all lanes are alike is cheap again.
    assert alike > halves > mixed + 100 > chance + 1000


def test_one_lane_at_one_level_by_the_krichevsky_trofimov_estimate():
    """By hand: n ones in a row cost C(2n, n) / 4ⁿ; here of no address bit (width 0), by level or by agreement."""
    n = 5
    draws, along = math.comb(2 * n, n) / 4.0**n, math.comb(2 * n - 2, n - 1) / 4.0 ** (n - 1) / 2
    wanted = 0.5 * (draws + along) / 2 + 0.3 / 2**n + 0.1
    assert contents([0] * n, [1] * n, [1] * n, 0) == pytest.approx(math.log(wanted))


def test_stripes_along_the_addresses_and_equal_lanes_are_cheaper_than_a_bit_each():
    words = list(range(64))
    striped = contents(words, [0xFF * (w // 7 % 2) for w in words], [0xFF] * 64, 6)
    assert striped > -8 * 64 * math.log(2) / 4
