"""The compiled alignment scores what an exhaustive search scores, and its pairs earn that score."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.planning import align_kernel as kernel
from tests.reference.align_twin import CHANGE, MATCH, OPEN, agrees, best_score

rows = st.lists(st.tuples(st.integers(0, 1), st.integers(0, 3), st.just(0), st.just(0), st.just(0)), max_size=7)


def as_array(items) -> np.ndarray:
    return np.array(items, np.int64).reshape(len(items), 5)


def score_of(pairs: list[tuple[int, int]], end: tuple[int, int], a, b) -> int:
    """What a chain of agreeing pairs earns when everything between them is bridged in the cheapest way."""
    total, at = 0, (0, 0)
    for i, j in pairs:
        skip = i - at[0], j - at[1]
        costs = []
        for changed in range(min(skip) + 1):
            left = skip[0] - changed, skip[1] - changed
            costs.append(changed * CHANGE + sum(OPEN + n for n in left if n))
        total += MATCH - min(costs)
        at = (i + 1, j + 1)
    return total


@settings(max_examples=60, deadline=None)
@given(rows, rows)
def test_extend_equals_exhaustive_search(a, b):
    size = 8
    score, moves = np.empty((3, size + 1), np.int32), np.empty((size + 1, size + 1), np.uint8)
    pairs = np.empty((size + 1, 2), np.int64)
    count, end_i, end_j = kernel.extend(as_array(a), 0, as_array(b), 0, score, moves, pairs)
    found = [(int(i), int(j)) for i, j in pairs[:count][::-1]]
    assert all(agrees(a[i], b[j]) for i, j in found)
    assert found == sorted(set(found))
    assert score_of(found, (end_i, end_j), a, b) == best_score(a, b)


@settings(max_examples=40, deadline=None)
@given(rows, rows)
def test_counting_along_a_diagonal_equals_counting_by_hand(a, b):
    for offset in range(-7, 8):
        total, _, run = kernel.agreeing_rows(as_array(a), as_array(b), np.ones(len(a)), offset)
        wanted = [agrees(a[i], b[i + offset]) for i in range(len(a)) if 0 <= i + offset < len(b)]
        assert total == sum(wanted)
        longest = max((len(part) for part in "".join("x" if w else " " for w in wanted).split()), default=0)
        assert run == longest
