"""The cells that take part in a replay by a few cells equal those that sets give, and nothing is left behind."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import marks_kernel, replay_kernel
from tests.reference.marks_twin import marks

CELLS = 8
table = st.lists(st.integers(-1, CELLS - 1), min_size=CELLS, max_size=CELLS)
spans = st.sampled_from([[(0, 8)], [(0, 2)], [(2, 4), (6, 8)], [(0, 0)]])


@given(st.tuples(table, table, table, table), spans, st.sets(st.integers(0, CELLS - 1), max_size=3))
def test_cells_that_take_part_equal_twin(tables, where, chosen):
    mine = [c for a, z in where for c in range(a, z)]
    focus = sorted(chosen)
    seen, touched, goes = np.zeros(CELLS, np.uint8), np.full(CELLS, -1, np.int32), np.full((CELLS, 5), -7, np.int32)
    m = marks_kernel.mark(
        *(np.array(t, np.int32) for t in tables), np.array([a for a, _ in where]), np.array([z for _, z in where]),
        np.array(focus, np.int32), np.array([c in mine for c in focus], np.bool_), seen, touched, goes,
    )  # fmt: skip
    takes, judged, reached = marks(tables, mine, focus)
    cells, part = touched[:m], goes[:m, 0]
    assert set(cells[part & replay_kernel.TAKES_PART != 0].tolist()) == takes
    assert set(cells[part & replay_kernel.JUDGED != 0].tolist()) == judged
    assert sorted(cells.tolist()) == sorted(reached) and not seen.any()
    assert goes[:m, 1:].tolist() == [[t[c] for t in tables] for c in cells]
