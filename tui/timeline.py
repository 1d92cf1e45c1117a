"""Levels against time as cells of a character grid: plain arrays in, plain arrays out.

A view of W columns cuts time into W equal spans. For each span and line the
cell says what the line did in it; the widget only turns cells into characters.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Capture
from busledger.decoder.store import DETAIL_ROWS

__all__ = [
    "Cell",
    "Coarse",
    "LevelColumns",
    "View",
    "column_of",
    "columns_of",
    "line_cells",
    "rows_moved",
    "sample_view",
    "value_text",
]

# Rows looked at one by one for one picture. Further out, what moved is known for groups of rows.
_MOST_ROWS = 1 << 16
# Groups of rows a column (on average) from which their first rows are near enough to the column's edges.
_COARSE_GROUPS = 16


class Cell(IntEnum):
    """What a line did within one column."""

    OUTSIDE = 0  # before the first or after the last row
    LOW = 1
    HIGH = 2
    RISE = 3
    FALL = 4
    BUSY = 5  # changed and came back
    UNKNOWN = 6


@dataclass(frozen=True, slots=True)
class View:
    """Column c covers ``start + c * ticks_per_column`` (inclusive) to the start of column c + 1, in ticks."""

    start: float
    ticks_per_column: float
    columns: int

    @classmethod
    def around(cls, middle: int, ticks_per_column: float, columns: int) -> View:
        """The view whose middle column begins at a time."""
        return cls(middle - (columns // 2) * ticks_per_column, ticks_per_column, columns)

    def edges(self) -> NDArray[np.int64]:
        """First tick at or after each column's start, and after the last column: shape (columns + 1,)."""
        starts = self.start + np.arange(self.columns + 1) * self.ticks_per_column
        edges: NDArray[np.int64] = np.ceil(starts).astype(np.int64)
        return edges


@dataclass(frozen=True, slots=True)
class LevelColumns:
    """All wired lines over a view; bit k % 64 of word k // 64 is line k.

    ``before``, ``after`` : uint64 (columns, words), levels at a column's start and end
    ``changed`` : uint64 (columns, words), lines that changed within the column
    ``unknown`` : uint64 (columns, words), lines unknown at the column's end
    ``outside`` : bool (columns,), no row covers the column's end
    """

    before: NDArray[np.uint64]
    after: NDArray[np.uint64]
    changed: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    outside: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Coarse:
    """The first of each ``DETAIL_ROWS`` rows, and how many cycles came before it: small enough to stay in memory."""

    capture: Capture
    cycles_before: NDArray[np.int64]

    def groups(self, view: View) -> NDArray[np.int64] | None:
        """int64 (columns + 1,): the last group that begins before each edge, -1 before the first; None where the view
        is too close for groups to stand for rows."""
        if not len(self.capture):
            return None
        found = np.searchsorted(self.capture.time, view.edges(), "left").astype(np.int64) - 1
        wide = found[-1] - max(0, found[0]) >= _COARSE_GROUPS * view.columns
        return found if wide else None


def sample_view(capture: Capture, view: View, moved: NDArray[np.uint64], coarse: Coarse | None = None) -> LevelColumns:
    """What every line did in every column, every pulse told however far out.

    ``moved`` uint64 (groups, words): the lines that move in each ``DETAIL_ROWS`` rows. Cost grows with the rows in view
    up to a limit, then with the columns and the groups. With ``coarse`` the rows themselves, which lie all over the
    disk, are not looked at where a column is far wider than a group: an edge may be told a column early.
    """
    words = capture.levels.shape[1]
    zeros = np.zeros((view.columns, words), np.uint64)
    rows = len(capture)
    if rows == 0:
        return LevelColumns(zeros, zeros, zeros, zeros, np.ones(view.columns, np.bool_))
    if coarse is not None and (groups := coarse.groups(view)) is not None:
        return _by_groups(capture, view, moved, coarse.capture, groups)
    edges = view.edges()
    row = _rows_before(capture, edges, coarse)
    first, last = max(0, int(row[0])), max(0, int(row[-1]))
    changed = zeros.copy()
    if last - first > _MOST_ROWS:
        for column in range(view.columns):
            changed[column] = _moved_in(capture, moved, max(1, int(row[column]) + 1), int(row[column + 1]) + 1)
    elif last > first:
        moves = rows_moved(capture, first + 1, last + 1)
        column_of_row = np.searchsorted(row[1:], np.arange(first + 1, last + 1), "left")
        starts = np.flatnonzero(np.diff(column_of_row, prepend=-1))
        changed[column_of_row[starts]] = np.bitwise_or.reduceat(moves, starts, axis=0)
    place = np.maximum(row, 0)
    outside = (row[1:] < 0) | (edges[:-1] > int(capture.time[-1]))
    before, after = place[:-1], place[1:]
    return LevelColumns(capture.levels[before], capture.levels[after], changed, capture.unknown[after], outside)


def _rows_before(capture: Capture, edges: NDArray[np.int64], coarse: Coarse | None) -> NDArray[np.int64]:
    """The row in force just before each edge; -1 is before the capture. Halving all rows would fetch many pages."""
    if coarse is None:
        return np.searchsorted(capture.time, edges, "left").astype(np.int64) - 1
    begins = (np.searchsorted(coarse.capture.time, edges, "left").astype(np.int64) - 1) * DETAIL_ROWS
    found = [
        first + int(np.searchsorted(capture.time[first : first + DETAIL_ROWS], edge, "left")) - 1 if first >= 0 else -1
        for first, edge in zip(begins.tolist(), edges.tolist(), strict=True)
    ]
    return np.array(found, np.int64)


def _by_groups(
    capture: Capture, view: View, moved: NDArray[np.uint64], firsts: Capture, groups: NDArray[np.int64]
) -> LevelColumns:
    """The columns out of groups of rows alone, ``firsts`` the first row of each."""
    place = np.maximum(groups, 0)
    low, high = place[:-1], place[1:]
    before, after = firsts.levels[low], firsts.levels[high]
    changed = (before ^ after) | (firsts.unknown[low] ^ firsts.unknown[high])
    some = np.flatnonzero(high > low)
    # Each group belongs to one column, the last one to the last: no pulse is lost.
    changed[some] |= np.bitwise_or.reduceat(moved[: int(high[-1]) + 1], low[some], axis=0)
    outside = (groups[1:] < 0) | (view.edges()[:-1] > int(capture.time[-1]))
    return LevelColumns(before, after, changed, firsts.unknown[high], outside)


def rows_moved(capture: Capture, first: int, last: int) -> NDArray[np.uint64]:
    """uint64 (rows, words): what each row of ``first:last`` changes against the row before it; ``first`` at least 1."""
    levels, unknown = capture.levels[first - 1 : last], capture.unknown[first - 1 : last]
    return (levels[1:] ^ levels[:-1]) | (unknown[1:] ^ unknown[:-1])


def _moved_in(capture: Capture, moved: NDArray[np.uint64], first: int, last: int) -> NDArray[np.uint64]:
    """The lines that any row of ``first:last`` changes: whole groups from ``moved``, at the ends row by row."""
    low, high = -(-first // DETAIL_ROWS), last // DETAIL_ROWS
    if low >= high:
        return np.asarray(np.bitwise_or.reduce(rows_moved(capture, first, last), axis=0))
    found = np.bitwise_or.reduce(moved[low:high], axis=0)
    for group, start, stop in ((low - 1, first, low * DETAIL_ROWS), (high, high * DETAIL_ROWS, last)):
        # Rows are only looked at, and fetched from the disk, where their group may tell a line more.
        if start < stop and np.any(moved[group] & ~found):
            found = found | np.bitwise_or.reduce(rows_moved(capture, start, stop), axis=0)
    return np.asarray(found)


def line_cells(columns: LevelColumns, bit: int) -> NDArray[np.uint8]:
    """``Cell`` of one line in each column."""
    word, shift = bit // 64, np.uint64(bit % 64)
    before, after, changed, unknown = (
        (array[:, word] >> shift) & np.uint64(1) == 1
        for array in (columns.before, columns.after, columns.changed, columns.unknown)
    )
    cells = np.where(after, Cell.HIGH, Cell.LOW).astype(np.uint8)
    cells[changed & (before == after)] = Cell.BUSY
    cells[changed & ~before & after] = Cell.RISE
    cells[changed & before & ~after] = Cell.FALL
    cells[unknown] = Cell.UNKNOWN
    cells[columns.outside] = Cell.OUTSIDE
    return cells


def value_text(columns: LevelColumns, bits: Sequence[int]) -> str:
    """Several lines as one value in hex, ``bits`` highest first, -1 = a bit that is always 0; one character a column.

    ``│`` where any of them changes, the value as far as it fits before the next
    change, ``?`` for a nibble with an unknown bit.
    """
    width = len(columns.outside)
    moved = np.zeros(width, np.bool_)
    for bit in (b for b in bits if b >= 0):
        moved |= (columns.changed[:, bit // 64] >> np.uint64(bit % 64)) & np.uint64(1) == 1
    moved[1:] |= columns.outside[1:] != columns.outside[:-1]
    starts = [0, *(int(c) for c in np.flatnonzero(moved) if c > 0)]
    text: list[str] = []
    for start, end in zip(starts, [*starts[1:], width], strict=True):
        if columns.outside[start]:
            text.append(" " * (end - start))
            continue
        bar = "│" if moved[start] else ""
        room = end - start - len(bar)
        shown = _hex_at(columns, bits, start)
        text.append(bar + (shown.ljust(room, "─") if room >= len(shown) else "─" * room))
    return "".join(text)


def _hex_at(columns: LevelColumns, bits: Sequence[int], column: int) -> str:
    digits = []
    padded = [-1] * (-len(bits) % 4) + list(bits)
    for at in range(0, len(padded), 4):
        nibble = 0
        for bit in padded[at : at + 4]:
            nibble <<= 1
            if bit < 0:
                continue
            if int(columns.unknown[column, bit // 64]) >> bit % 64 & 1:
                nibble = 1 << 8  # stays above 15 however far it is shifted
            else:
                nibble |= int(columns.after[column, bit // 64]) >> bit % 64 & 1
        digits.append("?" if nibble > 15 else f"{nibble:X}")
    return "".join(digits)


def column_of(view: View, ticks: int) -> int | None:
    """The column that shows a time, or None if it lies outside the view."""
    column = int((ticks - view.start) // view.ticks_per_column)
    return column if 0 <= column < view.columns else None


def columns_of(view: View, times: NDArray[np.int64], coarse: Coarse | None = None) -> NDArray[np.int64]:
    """The columns that show any of these rising times: found by halving, however many lie in one.

    With ``coarse``, whose cycles these are the times of, a wide view does not look at the times themselves.
    """
    groups = coarse.groups(view) if coarse is not None else None
    if coarse is None or groups is None:
        return np.flatnonzero(np.diff(np.searchsorted(times, view.edges())))
    return np.flatnonzero(np.diff(coarse.cycles_before[np.maximum(groups, 0)]))
