"""What other regions held at the place of a wrong read: the kernel equals a plain walk through the accesses."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.replay import pairs_kernel

SIZES = [2, 4, 2]  # words of each region
BASE = [0, 2, 6]
access = st.tuples(st.integers(0, 2), st.integers(0, 3), st.booleans(), st.integers(0, 3), st.integers(0, 3),
                   st.sampled_from([0, 1, 3]), st.booleans())  # fmt: skip


def plain(accesses):
    """(joined, given) by (region asked, other region)."""
    held: dict[tuple[int, int], tuple[int, int]] = {}  # (region, word there) → levels, known lanes
    joined, given_ = {}, {}
    for region, word, is_write, data, expected, lanes, asked in accesses:
        if is_write:
            old, known = held.get((region, word % SIZES[region]), (0, 0))
            held[region, word % SIZES[region]] = (old & ~lanes | data & lanes, known | lanes)
            continue
        for other in range(3):
            level, known = held.get((other, word % SIZES[other]), (0, 0))
            seen = [bit for bit in (1, 2) if bit & known & lanes]
            if not asked or other == region or all(data & b == expected & b for b in seen):
                continue
            ands = all(data & b == expected & level & b for b in seen)
            ors = all(data & b == (expected | level) & b for b in seen)
            joined[region, other] = joined.get((region, other), 0) + (ands or ors)
            given_[region, other] = given_.get((region, other), 0) + all(data & b == level & b for b in seen)
    return joined, given_


@settings(max_examples=100, deadline=None)
@given(st.lists(access, max_size=30))
def test_what_other_regions_held_equals_a_plain_walk(accesses):
    region, word, is_write, data, expected, lanes, asked = (
        np.array([a[k] for a in accesses]).astype(t)
        for k, t in enumerate((np.int16, np.int64, np.bool_, np.uint32, np.uint32, np.uint32, np.bool_))
    )
    base, size = np.array(BASE, np.int64), np.array(SIZES, np.int64)
    cell = (base[region] + word % size[region]).astype(np.int32)
    held, known = np.zeros(8, np.uint32), np.zeros(8, np.uint32)
    tables = np.zeros((3, 3), np.int64), np.zeros((3, 3), np.int64)
    row_of = np.arange(3)
    pairs_kernel.same_place(
        cell, region, is_write, data, lanes, expected, lanes, word, asked, row_of, base, size, held, known, *tables
    )
    for table, wanted in zip(tables, plain(accesses), strict=True):
        assert {(r, o): n for (r, o), n in np.ndenumerate(table) if n} == {k: n for k, n in wanted.items() if n}
