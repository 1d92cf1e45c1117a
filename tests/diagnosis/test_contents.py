"""How likely it is what was found in cells whose contents nobody knows."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay.contents import _log_by_words, log_contents, log_found

from .rows_of import study_of


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


def found(level: Callable[[int], int], lanes: int) -> float:
    """Of all cells of two banks of sixteen cells, two chips of four lanes each: ``lanes`` of what ``level`` says."""
    study = study_of([("w", 0, 0)])
    cells = np.arange(32, dtype=np.int32)
    levels = np.array([level(c) for c in range(32)], np.uint32)
    return log_found(study.card, study.cells, cells, levels, np.full(32, lanes, np.uint32))


def test_whole_words_that_come_again_cost_less_than_each_chip_by_itself():
    """Rows of cells that come up at 00 and FF in turn, with here and there a word that does not."""
    odd = {3: 0x5A, 9: 0xC1, 22: 0x36, 27: 0x98}
    rows = lambda c: odd.get(c, 0xFF if c & 4 else 0)  # noqa: E731
    assert found(rows, 0xFF) > found(rows, 0x0F) + found(rows, 0xF0) + 6.0


def test_words_that_never_come_again_cost_a_bit_each_and_the_choice_among_the_ideas():
    """Chip by chip, lanes alike, whole words, or what a program left: of each of two banks an even chance is a third of
    the second of four."""
    chance = np.random.default_rng(7).permutation(256)[:32].tolist()
    even = -32 * 8 * math.log(2.0)
    assert even > found(lambda c: chance[c], 0xFF) >= even - 2 * math.log(4.0 * 3.0)


def test_the_chances_of_all_rows_of_words_sum_to_one():
    """Three words of one lane and a bit of address, in every way."""
    words = np.array([0, 1, 1], np.int32)
    every = itertools.product(range(2), repeat=3)
    chances = [math.exp(_log_by_words(words, np.array(values, np.uint32), 1, 1)) for values in every]
    assert sum(chances) == pytest.approx(1.0)
