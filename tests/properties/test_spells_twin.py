"""The kernel that settles when memory of two banks was switched equals its slow twin."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.rivals import spells_kernel
from tests.reference.spells_twin import Access, effort, settled

CELLS, PRICES = 3, (2.0, 9.0, 1.0)
masks = st.sampled_from([3, 3, 1, 0])
access = st.builds(Access, st.integers(0, CELLS - 1), st.booleans(), st.integers(0, 3), masks, masks, st.booleans())
stories = st.lists(st.tuples(access, st.integers(0, 1)), max_size=30)


def settle(accesses, banks, sweeps):
    """What the kernel makes of it: banks, and the effort left."""
    bank = np.array(banks, np.uint8)
    words = [np.array([getattr(a, name) for a in accesses], np.uint32) for name in ("data", "sure", "lanes")]
    left = spells_kernel.settle_spells(
        np.array([a.cell for a in accesses], np.int32), np.array([a.write for a in accesses], np.bool_), *words,
        np.array([a.asked and not a.write for a in accesses], np.bool_), bank, np.zeros(2 * CELLS, np.uint32),
        np.zeros(2 * CELLS, np.uint32), np.array(PRICES), sweeps,
    )  # fmt: skip
    return bank.tolist(), left


@settings(max_examples=150)
@given(stories, st.integers(0, 3))
def test_what_settles_equals_twin(story, sweeps):
    accesses, banks = [one for one, _ in story], [bank for _, bank in story]
    now, left = settle(accesses, banks, sweeps)
    assert (now, left) == settled(accesses, banks, PRICES, sweeps)
    assert left == effort(accesses, now, PRICES) <= effort(accesses, banks, PRICES)


@pytest.mark.parametrize("sweeps", [0, 4])
def test_nothing_takes_nothing(sweeps):
    assert settle([], [], sweeps) == ([], 0.0)


def test_a_switch_goes_to_where_the_reads_say_it_was():
    """Three cells are written, then again with the other bank in, and found as they were first with it out."""
    told = [Access(c, True, c, 3, 3, False) for c in range(3)]
    told += [Access(c, True, 3 - c, 3, 3, False) for c in range(3)]
    told += [Access(c, False, c, 3, 3, True) for c in range(3)]
    assert settle(told, [0] * 5 + [1] + [0] * 3, 8) == ([0, 0, 0, 1, 1, 1, 0, 0, 0], 2 * PRICES[0])
