"""The kernel of unknown contents equals its slow twin, memory by memory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay.contents import log_contents_each
from tests.reference.contents_twin import log_contents

WIDTH = 3
found = st.tuples(st.integers(0, (1 << WIDTH) - 1), st.integers(0, 15), st.sampled_from([0, 1, 6, 8, 15]))
memories = st.lists(st.tuples(st.lists(found, max_size=12), st.integers(0, WIDTH)), max_size=4)


@settings(max_examples=100, deadline=None)
@given(memories)
def test_the_contents_of_memories_equal_twin(each):
    read = [(sorted(rows, key=lambda row: row[0]), width) for rows, width in each]
    columns = [np.array([row[k] for rows, _ in read for row in rows]) for k in range(3)]
    word, level, unknown = (c.astype(t) for c, t in zip(columns, (np.int32, np.uint32, np.uint32), strict=True))
    first = np.cumsum([0, *(len(rows) for rows, _ in read)])
    width = np.array([width for _, width in read], np.int64)
    wanted = sum(
        log_contents(word[a:z], level[a:z], unknown[a:z], int(w))
        for a, z, w in zip(first[:-1], first[1:], width, strict=True)
    )
    assert log_contents_each(first, word, level, unknown, width) == pytest.approx(wanted, abs=1e-9)
