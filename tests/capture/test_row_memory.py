"""Memory of rows is given out again once nobody holds a part of them, and not before."""

from __future__ import annotations

import numpy as np

from busledger.decoder.capture.row_memory import RowMemory


def _places(*arrays: np.ndarray) -> set[int]:
    return {array.__array_interface__["data"][0] for array in arrays}


def test_rows_lie_apart_and_are_as_long_as_asked() -> None:
    time, levels, unknown = RowMemory().rows(1000, 3)
    assert (time.shape, levels.shape, unknown.shape) == ((1000,), (1000, 3), (1000, 3))
    assert (time.dtype, levels.dtype, unknown.dtype) == (np.int64, np.uint64, np.uint64)
    time[:], levels[:], unknown[:] = 1, 2, 3
    assert (time == 1).all() and (levels == 2).all() and (unknown == 3).all()


def test_a_part_that_somebody_holds_keeps_the_memory() -> None:
    memory = RowMemory()
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
    memory = RowMemory()
    memory.rows(10, 1)
    assert len(memory.rows(100_000, 4)[0]) == 100_000
