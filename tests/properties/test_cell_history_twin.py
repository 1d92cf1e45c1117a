"""The cell history over whole blocks equals its slow twin, in blocks of any size."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.intermittence.cell_history import CellHistory
from tests.reference.cell_history_twin import CellHistoryTwin

CAME = ["nothing", "right", "wrong"]
row = st.tuples(st.integers(0, 5), st.integers(0, 9), st.sampled_from(["write", "right", "wrong", "other"]))


@settings(max_examples=80)
@given(st.lists(row, max_size=60), st.integers(1, 61))
def test_blocks_equal_twin(rows: list[tuple[int, int, str]], block: int) -> None:
    twin, history = CellHistoryTwin(), CellHistory(6)
    cell = np.array([r[0] for r in rows], np.int32)
    time = np.cumsum([r[1] for r in rows]).astype(np.int64)
    kind = np.array([r[2] for r in rows], object)
    wanted = [twin.access(int(c), int(t), k) for c, t, k in zip(cell, time, kind, strict=True)]
    got = []
    for start in range(0, max(len(rows), 1), block):
        part = slice(start, start + block)
        judged = (kind[part] == "right") | (kind[part] == "wrong")
        age, before = history.feed(cell[part], time[part], kind[part] == "write", judged, kind[part] == "wrong")
        got += [(int(a), CAME[b]) for a, b in zip(age, before, strict=True)]
    assert got == wanted
