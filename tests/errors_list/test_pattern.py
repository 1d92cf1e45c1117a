"""What a memory test wrote, told from its errors alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from busledger.decoder.errors_list import pattern_of

CELLS = np.arange(0x4000, 0x4400, dtype=np.int64)

RULES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "AA everywhere": lambda a: np.full_like(a, 0xAA),
    "the low half of the address": lambda a: a & 0xFF,
    "the low half of the address, inverted": lambda a: ~a & 0xFF,
    "the low half of the address, plus 03": lambda a: (a + 3) & 0xFF,
    "the high half of the address": lambda a: a >> 8,
    "the halves of the address exclusive-ored": lambda a: (a ^ (a >> 8)) & 0xFF,
    "the halves of the address added": lambda a: (a + (a >> 8)) & 0xFF,
}


@pytest.mark.parametrize("told", RULES)
def test_rules_are_told_from_the_cells_that_failed(told: str) -> None:
    failed = CELLS[np.random.default_rng(1).permutation(len(CELLS))[:60]]
    pattern = pattern_of(failed, RULES[told](failed), 8)
    assert pattern.told == told
    assert np.array_equal(pattern.written(CELLS, 0), RULES[told](CELLS))


def test_rounds_come_in_the_order_of_the_list() -> None:
    address = np.concatenate([CELLS, CELLS])
    wrote = np.repeat([0xAA, 0x55], len(CELLS))
    pattern = pattern_of(address, wrote, 8)
    assert pattern.rounds == (0xAA, 0x55)
    assert np.array_equal(pattern.round_of(address, wrote), np.repeat([0, 1], len(CELLS)))


def test_a_misread_line_makes_no_round() -> None:
    wrote = np.full(len(CELLS), 0x55)
    wrote[7] = 0x5A
    pattern = pattern_of(CELLS, wrote, 8)
    assert pattern.rounds == (0x55,)
    assert pattern.round_of(CELLS, wrote)[7] == -1


def test_chance_figures_follow_no_rule() -> None:
    wrote = np.random.default_rng(2).integers(0, 256, len(CELLS))
    assert not pattern_of(CELLS, wrote, 8).known
    assert not pattern_of(CELLS[:5], wrote[:5], 8).known


def test_words_of_a_wide_bus_count_by_words() -> None:
    address = np.arange(0x1000, 0x1100, 2, dtype=np.int64)
    pattern = pattern_of(address, address >> 1, 16, shift=1)
    assert pattern.told == "the low half of the address"
