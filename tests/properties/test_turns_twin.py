"""The kernel that sorts accesses to two banks equals its slow twin."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.rivals import turns_kernel
from tests.reference.turns_twin import Seen, Sides, tied

# Few cells and few values, so that everything meets.
access = st.builds(Seen, st.integers(0, 2), st.booleans(), st.integers(0, 3), st.sampled_from([3, 3, 1, 0]))
stories = st.lists(access, max_size=50)


def told(leader, other):
    """As ``Sides.told``."""
    first: dict[int, int] = {}
    for row, lead in enumerate(leader.tolist()):
        first.setdefault(lead, row)
    return [(first[lead], int(other[row] ^ other[first[lead]])) for row, lead in enumerate(leader.tolist())]


@settings(max_examples=100)
@given(stories, st.randoms(use_true_random=False))
def test_what_hangs_together_equals_twin(accesses, dice):
    n = len(accesses)
    last: dict[int, int] = {}
    before = np.full(n, -1, np.int32)
    for row, one in enumerate(accesses):
        before[row] = last.get(one.cell, -1)
        last[one.cell] = row
    leader, other = np.arange(n, dtype=np.int32), np.zeros(n, np.uint8)
    odd = turns_kernel.tie(
        before, np.array([a.write for a in accesses], np.bool_), np.array([a.data for a in accesses], np.uint32),
        np.array([a.sure for a in accesses], np.uint32), leader, other,
    )  # fmt: skip
    sides, expected = tied(accesses, turns_kernel.BACK)
    assert (told(leader, other), odd) == (sides.told(), expected)

    near = list(range(max(0, n - 1)))
    dice.shuffle(near)
    turns_kernel.settle(np.array(near, np.int32), leader, other)
    for row in near:
        sides.tie(row, row + 1, 0)
    assert told(leader, other) == sides.told()


def test_rows_of_two_groups_keep_their_sides():
    sides = Sides(4)
    assert (sides.tie(0, 1, 1), sides.tie(2, 3, 1), sides.tie(1, 2, 0), sides.tie(0, 3, 0)) == (0, 0, 0, 0)
    assert sides.told() == [(0, 0), (0, 1), (0, 1), (0, 0)]
    assert sides.tie(0, 2, 0) == 1
