"""A capture as plain rows, for the twins of the check kernels: a list of (time, [0, 1 or None a line])."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

__all__ = ["Row", "arrays", "captures", "held", "lasting"]

Row = tuple[int, list[int | None]]


def arrays(rows: list[Row], lines: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """time, levels, unknown as the kernels take them."""
    words = max(1, (lines + 63) // 64)
    time = np.array([t for t, _ in rows], np.int64)
    levels, unknown = np.zeros((len(rows), words), np.uint64), np.zeros((len(rows), words), np.uint64)
    for r, (_, values) in enumerate(rows):
        for line, value in enumerate(values):
            bit = np.uint64(1) << np.uint64(line % 64)
            if value is None:
                unknown[r, line // 64] |= bit
            elif value:
                levels[r, line // 64] |= bit
    return time, levels, unknown


@st.composite
def captures(draw: st.DrawFn, lines: int, most: int = 40, least: int = 0) -> list[Row]:
    """Rows whose lines mostly keep their level; now and then one is unknown."""
    count = draw(st.integers(least, most))
    now: list[int | None] = [draw(st.integers(0, 1)) for _ in range(lines)]
    rows: list[Row] = []
    t = draw(st.integers(0, 50))
    for _ in range(count):
        rows.append((t, list(now)))
        t += draw(st.sampled_from([1, 2, 3, 10, 25, 60]))
        for line in draw(st.lists(st.integers(0, lines - 1), max_size=4)):
            now[line] = 0 if now[line] is None else 1 - now[line]
        if draw(st.integers(0, 9)) == 0:
            now[draw(st.integers(0, lines - 1))] = None
    return rows


def lasting(rows: list[Row], first: int, last: int, since: int, until: int) -> list[tuple[int, int]]:
    """(row, how long it lasted) for the rows ``first`` … ``last``, cut to ``since`` … ``until``, if longer than 0."""
    found = []
    for r in range(first, last + 1):
        begins = max(rows[r][0], since)
        ends = until if r + 1 == len(rows) else min(until, rows[r + 1][0])
        if ends > begins:
            found.append((r, ends - begins))
    return found


def held(rows: list[Row], line: int, first: int, last: int, since: int, until: int) -> int | None:
    """The level that ``line`` held longest; the level of row ``first`` where the span is empty; None if unknown."""
    spans = [(rows[r][1][line], length) for r, length in lasting(rows, first, last, since, until)]
    if not spans:
        return rows[first][1][line]
    if any(level is None for level, _ in spans):
        return None
    high = sum(length for level, length in spans if level == 1)
    return 1 if 2 * high >= sum(length for _, length in spans) else 0
