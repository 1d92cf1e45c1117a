"""The accesses of one chip: which of its wrong reads are news."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.diagnosis.leaf_rows import count_reads, narrowed, region_rows

from .rows_of import study_of


def test_a_wrong_read_that_gives_the_same_again_is_no_news():
    """Cell 3 reads 00 for 0F twice, is written, and reads 00 again; on D4-D7 it is right throughout."""
    told = [("w", 3, 0x0F), ("r", 3, 0x00), ("r", 3, 0x00), ("w", 3, 0x0F), ("r", 3, 0x00)]
    rows = study_of(told).rows()
    low = narrowed(rows, 0x0F)
    assert low.wrong.tolist() == [0, 0x0F, 0x0F, 0, 0x0F]
    assert low.event.tolist() == [0, 1, 0, 0, 1]
    high = narrowed(rows, 0xF0)
    assert not high.wrong.any() and not high.event.any()
    assert (high.compared != 0).tolist() == [False, True, True, False, True]


def test_the_same_wrong_lanes_beside_other_levels_where_nothing_is_known_are_news():
    """D0 is wrong in both reads; D1, of which nothing was known, gave another level."""
    rows = study_of([("w", 3, 0x01), ("r", 3, 0x00), ("r", 3, 0x02)]).rows()
    unknown = rows.holding(rows.expected & ~np.uint32(0x02), rows.compared & ~np.uint32(0x02))
    assert unknown.wrong.tolist() == [0, 1, 1]
    assert narrowed(unknown, 0x0F).event.tolist() == [0, 1, 1]


def test_a_read_that_gives_what_was_written_is_news_where_another_fault_should_have_bent_it():
    """A shared fault lets 00 be expected of cell 3; the read gives the 0F of the write, which was right."""
    rows = study_of([("w", 3, 0x0F), ("r", 3, 0x0F)]).rows()
    bent = rows.holding(np.zeros(2, np.uint32), rows.compared)
    assert bent.wrong.tolist() == [0, 0x0F]
    assert narrowed(bent, 0x0F).event.tolist() == [0, 1]


def test_news_on_one_chip_s_lanes_is_none_on_the_other_s():
    """The second read of cell 3 differs from the first on D7 only: that is news for U2 and not for U1."""
    rows = study_of([("w", 3, 0xFF), ("r", 3, 0xF0), ("r", 3, 0x70)]).rows()
    assert narrowed(rows, 0x0F).event.tolist() == [0, 1, 0]
    assert narrowed(rows, 0xF0).event.tolist() == [0, 0, 1]


def test_counts_and_the_share_of_strays_that_are_news():
    told = [("w", 3, 0x0F), *[("r", 3, 0x00)] * 4, ("w", 4, 0), ("r", 4, 0)]
    count = count_reads(narrowed(study_of(told).rows(), 0x0F))
    assert (count.reads, count.wrong, count.event_count) == (5, 4, 1)
    assert int(count.right.sum()) == 1
    assert [count.news(n) for n in (-1, 0, 1, 4)] == [0, 0, 1, 1]  # one in four, rounded up


def test_what_comes_back_without_a_write_had_not_changed():
    """Cell 3 is read wrong and then right; cell 4 is written in between."""
    told = [("w", 3, 0x0F), ("r", 3, 0x07), ("r", 3, 0x0F), ("w", 4, 1), ("r", 4, 0), ("w", 4, 1), ("r", 4, 1)]
    assert count_reads(narrowed(study_of(told).rows(), 0x0F)).came_back == 1


def test_every_region_has_its_own_rows():
    rows = study_of([("w", 3, 1), ("w", 17, 2), ("r", 3, 1)]).rows()
    assert [part.index.tolist() for part in region_rows(rows, 2)] == [[0, 2], [1]]


access = st.tuples(st.sampled_from("rrw"), st.integers(0, 2), st.sampled_from([0x00, 0x01, 0x11, 0xFF]))


@settings(max_examples=150, deadline=None)
@given(st.lists(access, min_size=1, max_size=30), st.sampled_from([0x01, 0x0F, 0xF0]))
def test_news_as_a_loop_tells_it(told, mask):
    rows = study_of(told).rows()
    found = narrowed(rows, mask)
    last: dict[int, tuple[bool, int, int]] = {}
    for i in range(len(rows)):
        cell, wrong, data = int(rows.cell[i]), int(rows.wrong[i]) & mask, int(rows.data[i]) & mask
        assert int(found.wrong[i]) == wrong and int(found.compared[i]) == int(rows.compared[i]) & mask
        repeats = last.get(cell) == (False, wrong, data)
        assert bool(found.event[i]) == (wrong != 0 and not repeats)
        last[cell] = (bool(rows.is_write[i]), wrong, data)
    assert np.array_equal(found.expected, rows.expected)
