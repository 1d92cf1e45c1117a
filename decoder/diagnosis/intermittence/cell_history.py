"""What happened to a cell before each access: when it was written, how its last read came out."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["NOTHING_YET", "READ_RIGHT", "READ_WRONG", "CellHistory", "carried"]

NOTHING_YET = 0  # no compared read since the last write
READ_RIGHT = 1
READ_WRONG = 2


class CellHistory:
    """Streaming: two arrays a cell carry what blocks before this one did. Whole blocks at once, no loop over rows.

    Parameters
    ----------
    cells : how many cells there are
    """

    def __init__(self, cells: int) -> None:
        self._written: NDArray[np.int64] = np.full(max(1, cells), -1, np.int64)
        self._outcome: NDArray[np.uint8] = np.zeros(max(1, cells), np.uint8)

    def feed(
        self,
        cell: NDArray[np.int32],
        time: NDArray[np.int64],
        is_write: NDArray[np.bool_],
        judged: NDArray[np.bool_],
        wrong: NDArray[np.bool_],
    ) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """For each access, before it: ticks since the cell was written (int64, -1 = not seen), and how its last
        compared read since then came out (uint8, NOTHING_YET, READ_RIGHT, READ_WRONG).

        All arguments have one entry an access, in time order; ``judged``: a compared read; ``wrong``: it read wrong.
        """
        n = len(cell)
        if n == 0:
            return np.zeros(0, np.int64), np.zeros(0, np.uint8)
        order = np.argsort(cell, kind="stable")
        c = cell[order]
        writes, acts = is_write[order], (is_write | judged)[order]
        outcome = np.where(writes, NOTHING_YET, np.where(wrong[order], READ_WRONG, READ_RIGHT)).astype(np.uint8)
        written = carried(writes, time[order], c, self._written)
        came = carried(acts, outcome, c, self._outcome)
        age = np.empty(n, np.int64)
        before = np.empty(n, np.uint8)
        age[order] = np.where(written >= 0, time[order] - written, -1)
        before[order] = came
        return age, before


def carried(
    marked: NDArray[np.bool_],
    value: NDArray[Any],
    cell: NDArray[np.int32],
    carry: NDArray[Any],
    *,
    update: bool = True,
) -> NDArray[Any]:
    """The value of the last marked row of the same cell before each row, else ``carry`` of the cell.

    Rows are sorted by cell and, within one, by time. With ``update`` the last marked value
    of every cell goes into ``carry``.
    """
    n = len(marked)
    if n == 0:
        return value[:0]
    first = np.concatenate([[True], cell[1:] != cell[:-1]])
    start = np.maximum.accumulate(np.where(first, np.arange(n), 0))
    latest = np.maximum.accumulate(np.where(marked, np.arange(n), -1))
    before = np.concatenate([[-1], latest[:-1]])
    found = np.where((before >= start) & ~first, value[np.maximum(before, 0)], carry[cell])
    if update:
        last = np.concatenate([first[1:], [True]])
        ends = np.flatnonzero(last & (latest >= start))
        carry[cell[ends]] = value[latest[ends]]
    return found
