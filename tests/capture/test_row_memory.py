"""Memory of rows is given out again once nobody holds a part of them, and not before."""

from __future__ import annotations

from collections import deque

import numpy as np

from busledger.decoder.capture.row_memory import RowMemory


def _places(*arrays: np.ndarray) -> set[int]:
    return {array.__array_interface__["data"][0] for array in arrays}


def test_rows_lie_apart_and_are_as_long_as_asked() -> None:
    time, levels, unknown = RowMemory(deque()).rows(1000, 3)
    assert (time.shape, levels.shape, unknown.shape) == ((1000,), (1000, 3), (1000, 3))
    assert (time.dtype, levels.dtype, unknown.dtype) == (np.int64, np.uint64, np.uint64)
    time[:], levels[:], unknown[:] = 1, 2, 3
    assert (time == 1).all() and (levels == 2).all() and (unknown == 3).all()


def test_a_part_that_somebody_holds_keeps_the_memory() -> None:
    memory = RowMemory(deque())
    time, levels, unknown = memory.rows(5000, 2)
    before = _places(time, levels, unknown)
    kept = levels[10:20]
    kept[:] = 7
    del time, levels, unknown
    assert not before & _places(*memory.rows(5000, 2))
    assert (kept == 7).all()
    del kept
    assert before == _places(*memory.rows(5000, 2))


def test_memory_too_short_is_let_go() -> None:
    memory = RowMemory(deque())
    memory.rows(10, 1)
    assert len(memory.rows(100_000, 4)[0]) == 100_000


def test_the_least_memory_that_is_enough_is_taken() -> None:
    memory = RowMemory(deque())
    long, short = memory.rows(1_000_000, 1), memory.rows(10, 1)
    places = _places(*long), _places(*short)
    del long, short
    again = memory.rows(20, 1), memory.rows(900_000, 1)
    assert _places(*again[0]) & places[1] and not _places(*again[0]) & places[0]
    assert _places(*again[1]) & places[0]


def test_the_next_capture_of_the_process_takes_the_memory_of_the_last_one() -> None:
    rows = RowMemory().rows(3_000_000, 1)
    before = _places(*rows)
    del rows
    assert _places(*RowMemory().rows(3_000_000, 1)) == before
