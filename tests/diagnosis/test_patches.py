"""Where in a chip the failing cells lie, against counting by loops."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import betaln

from busledger.decoder.diagnosis.patches import Patch, cell_counts, log_levels, patches, scatter
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate


def failing(size: int, cells: set[int], hits: int = 3, misses: int = 4) -> np.ndarray:
    """Counts of a chip whose ``cells`` fail each time and whose others never do."""
    return np.array([[hits, 0] if c in cells else [0, misses] for c in range(size)], np.int64)


def best(counts: np.ndarray) -> Patch:
    """The patch that leaves nothing outside and holds the fewest sound cells."""
    return min(patches(counts), key=lambda p: (p.outside, p.misses))


@pytest.mark.parametrize("bit", range(6))
@pytest.mark.parametrize("level", [0, 1])
def test_a_half_is_found_by_its_one_address_bit(bit, level):
    half = {c for c in range(64) if (c >> bit) & 1 == level}
    found = best(failing(64, half))
    assert (found.bits, found.levels) == (1 << bit, level << bit)
    assert (found.failing, found.tested, found.hits, found.misses, found.outside) == (32, 32, 96, 0, 0)


def test_a_row_is_found_by_the_bits_that_its_cells_share():
    row = {c for c in range(256) if c >> 3 == 0b10110}
    found = best(failing(256, row))
    assert (found.bits, found.levels) == (0b11111000, 0b10110000)
    assert (found.failing, found.tested) == (8, 8)
    assert found.log_choice == pytest.approx(math.log(math.comb(8, 5) * 2**5))


def test_the_address_bits_are_those_of_the_bus():
    found = Patch(0b101, 0b001, 1, 0, 0, 1, 1, 0.0)
    assert found.lines(shift=1) == [(1, 1), (3, 0)]


@pytest.mark.parametrize("cells", [set(), {5}])
def test_one_cell_alone_is_no_patch(cells):
    assert list(patches(failing(32, cells))) == []
    counts = failing(32, cells)
    assert scatter(counts, counts.sum(axis=1)) is None


table = st.integers(2, 5).flatmap(
    lambda width: st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1 << width, max_size=1 << width)
)


@settings(max_examples=80, deadline=None)
@given(table)
def test_what_a_patch_counts_is_what_lies_in_it(cells):
    counts = np.array(cells, np.int64)
    for p in patches(counts):
        inside = [c for c in range(len(cells)) if c & p.bits == p.levels]
        assert p.bits and p.levels & ~p.bits == 0 and p.bits < len(cells)
        assert p.hits == sum(cells[c][0] for c in inside)
        assert p.misses == sum(cells[c][1] for c in inside)
        assert p.outside == sum(hits for hits, _ in cells) - p.hits
        assert p.failing == sum(cells[c][0] > 0 for c in inside) >= 2
        assert p.tested == sum(cells[c] != (0, 0) for c in inside)


@settings(max_examples=80, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 7), st.booleans(), st.booleans()), max_size=40))
def test_chances_are_counted_by_cell(rows):
    cell = np.array([10 + c for c, _, _ in rows], np.int32)
    chance, hurt = (np.array([row[k] for row in rows], np.bool_) for k in (1, 2))
    found = cell_counts(cell, 10, 8, chance, hurt)
    for c in range(8):
        taken = [bad for at, may, bad in rows if at == c and may]
        assert found[c].tolist() == [sum(taken), len(taken) - sum(taken)]


def test_a_scatter_is_priced_by_how_many_cells_went_of_those_that_would_have_shown_it():
    """By hand: 3 of 20 cells fail; each of the 17 others was read twice, which shows 3 in 4 stuck cells."""
    counts = failing(20, {1, 8, 13})
    reads = np.where(counts[:, 0] > 0, 3, 2)
    found = scatter(counts, reads)
    assert found is not None
    assert (found.failing, found.tested, found.hits, found.misses) == (3, 20, 9, 0)
    a, b = 0.5, 20.0  # patches._BAD_CELLS
    wanted = betaln(3 + a, 17 * 0.75 + b) - betaln(a, b) + log_rate(9, 0, HARD)
    assert found.log_like == pytest.approx(wanted)


def test_a_cell_never_read_says_nothing_of_a_scatter():
    counts = failing(20, {1, 8})
    counts[10:] = 0
    found = scatter(counts, counts.sum(axis=1))
    assert found is not None and (found.failing, found.tested) == (2, 10)


def test_bits_that_fade_in_one_lane_are_likelier_than_bits_anywhere():
    """Ten cells of a ROM, a read each: D0 reads as erased in all of them, or one lane after the other does."""
    cell, due = np.arange(10, dtype=np.int32), np.zeros(10, np.uint32)
    whole, news = np.full(10, 0xFF, np.uint32), np.ones(10, np.uint8)

    def told(bent: np.ndarray) -> float:
        return log_levels(cell, due ^ bent, due, whole, bent, news, 8)

    fading, anywhere = np.ones(10, np.uint32), (1 << np.arange(10, dtype=np.uint32) % 8).astype(np.uint32)
    assert told(fading) > told(anywhere) + 15.0
    assert told(anywhere) > -10 * np.log(16.0) - 0.3


def test_cells_that_nothing_drives_give_the_same_word_all_of_them():
    rng = np.random.default_rng(5)
    cell = np.arange(40, dtype=np.int32)
    due = rng.integers(0, 255, 40).astype(np.uint32)
    whole, news = np.full(40, 0xFF, np.uint32), np.ones(40, np.uint8)

    def like(given_: np.ndarray) -> float:
        return log_levels(cell, given_, due, whole, given_ ^ due, news, 8)

    assert like(np.full(40, 0xFF, np.uint32)) > -30.0  # one word to guess, and how often it comes again
    assert like(due ^ np.uint32(0x5A) ^ cell.astype(np.uint32)) < -150.0
