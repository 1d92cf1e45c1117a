"""The cells that take part in a replay by a few cells equal those that sets give, and nothing stays behind."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import marks_kernel, memory_kernel, replay_kernel
from tests.reference.marks_twin import marks

CELLS = 8
table = st.lists(st.integers(-1, CELLS - 1), min_size=CELLS, max_size=CELLS)
spans = st.sampled_from([[(0, 8)], [(0, 2)], [(2, 4), (6, 8)], [(0, 0)]])


@given(st.tuples(table, table, table, table), spans, st.sets(st.integers(0, CELLS - 1), max_size=3))
def test_cells_that_take_part_equal_twin(tables, where, cells):
    mine = [c for a, z in where for c in range(a, z)]
    focus = sorted(cells)
    part, seen, touched = np.zeros(CELLS, np.uint8), np.zeros(CELLS, np.uint8), np.full(CELLS, -1, np.int32)
    n, m = marks_kernel.mark(
        *(np.array(t, np.int32) for t in tables), np.array([a for a, _ in where]), np.array([z for _, z in where]),
        np.array(focus, np.int32), np.array([c in mine for c in focus], np.bool_), part, seen, touched,
    )  # fmt: skip
    takes, judged, reached = marks(tables, mine, focus)
    assert set(touched[:n].tolist()) == takes == set(np.flatnonzero(part).tolist())
    assert set(np.flatnonzero(part & replay_kernel.JUDGED).tolist()) == judged
    assert sorted(touched[:m].tolist()) == sorted(reached) and not seen.any()

    fresh = np.arange(CELLS * memory_kernel.WORDS, dtype=np.uint32).reshape(CELLS, -1)
    words, links = np.zeros_like(fresh), np.full((CELLS, memory_kernel.LINKS), 7, np.int32)
    marks_kernel.wipe(touched, m, fresh, words, links)
    marks_kernel.unmark(touched, n, part)
    there = sorted(reached)
    assert (words[there] == fresh[there]).all() and words.any(axis=1).sum() == len(there) and not part.any()
    assert (links[there].sum(axis=1) == -2).all() and (np.delete(links, there, axis=0) == 7).all()
