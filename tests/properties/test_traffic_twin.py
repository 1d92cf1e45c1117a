"""The compiled count of levels a lane equals a plain one, whether values are counted first (8 lanes) or not; so does
the one of numpy that small captures take."""

from __future__ import annotations

from collections import Counter
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.coverage.traffic import count_few
from busledger.decoder.diagnosis.coverage.traffic_kernel import count_levels

row = st.tuples(
    st.integers(0, 2),  # toward the processor, away, not counted
    st.integers(-1, 1),
    st.integers(0, 0xFFFF),
    st.sampled_from([0, 0, 0, 0xFF00, 0xFFFF, 0x0011]),
)


def plain(rows: list[tuple[int, int, int, int]], lanes: int) -> tuple[Counter, Counter, set]:
    levels, differ, values = Counter(), Counter(), set()
    for way, region, data, hidden in rows:
        if way == 2:
            continue
        seen = {n: data >> n & 1 for n in range(lanes) if not hidden >> n & 1}
        levels.update((region, way, lane, level) for lane, level in seen.items())
        differ.update((region, way, i, j) for i, j in combinations(sorted(seen), 2) if seen[i] != seen[j])
        if set(range(8)) <= set(seen):
            values.add((way, data & 255))
    return levels, differ, values


@pytest.mark.parametrize(("count", "lanes"), [(count_levels, 8), (count_levels, 16), (count_few, 8)])
@settings(max_examples=60, deadline=None)
@given(rows=st.lists(row, max_size=40), cut=st.integers(0, 40))
def test_blocks_equal_twin(count, lanes, rows, cut):
    high, low = np.zeros((3, 2, lanes), np.int64), np.zeros((3, 2, lanes), np.int64)
    differ, values = np.zeros((3, 2, lanes, lanes), np.int64), np.zeros((2, 256), np.bool_)
    for part in (rows[:cut], rows[cut:]):
        way, region, data, hidden = (np.array([r[k] for r in part], np.int64) for k in range(4))
        count(
            way.astype(np.uint8), region.astype(np.int16), data.astype(np.uint32), hidden.astype(np.uint32),
            high, low, differ, values,
        )  # fmt: skip
    levels, wanted, seen = plain(rows, lanes)
    for r in (-1, 0, 1):
        for way in (0, 1):
            for i in range(lanes):
                assert (low[r, way, i], high[r, way, i]) == (levels[r, way, i, 0], levels[r, way, i, 1])
                assert list(differ[r, way, i]) == [wanted[r, way, i, j] for j in range(lanes)]
    assert {(int(w), int(v)) for w, v in np.argwhere(values)} == seen
