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

__all__ = ["Cell", "LevelColumns", "View", "column_of", "columns_of", "line_cells", "sample_view", "value_text"]

# Rows looked at for one picture. Further out, rows are taken evenly: at that
# zoom a pulse between two of them may be missing from the picture.
_MOST_ROWS = 1 << 16


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


def sample_view(capture: Capture, view: View) -> LevelColumns:
    """What every line did in every column. Cost grows with the rows in view, up to a limit, not with the capture."""
    words = capture.levels.shape[1]
    zeros = np.zeros((view.columns, words), np.uint64)
    rows = len(capture)
    if rows == 0:
        return LevelColumns(zeros, zeros, zeros, zeros, np.ones(view.columns, np.bool_))
    edges = view.edges()
    # The row in force just before each edge; -1 is before the capture.
    row = np.searchsorted(capture.time, edges, "left").astype(np.int64) - 1
    first, last = max(0, int(row[0])), max(0, int(row[-1]))
    if last - first > _MOST_ROWS:
        even = np.linspace(first, last, _MOST_ROWS).astype(np.int64)
        picks = _distinct(np.sort(np.concatenate([even, np.maximum(row, 0)])))
        levels, unknown = capture.levels[picks], capture.unknown[picks]
    else:
        picks = np.arange(first, last + 1)
        levels, unknown = capture.levels[first : last + 1], capture.unknown[first : last + 1]
    changed = zeros.copy()
    if len(picks) > 1:
        moved = (levels[1:] ^ levels[:-1]) | (unknown[1:] ^ unknown[:-1])
        column = np.searchsorted(row[1:], picks[1:], "left")
        starts = np.flatnonzero(np.diff(column, prepend=-1))
        changed[column[starts]] = np.bitwise_or.reduceat(moved, starts, axis=0)
    place = np.searchsorted(picks, np.maximum(row, 0))
    outside = (row[1:] < 0) | (edges[:-1] > int(capture.time[-1]))
    return LevelColumns(levels[place[:-1]], levels[place[1:]], changed, unknown[place[1:]], outside)


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
    """Several lines as one value in hex, ``bits`` highest first; one character a column.

    ``│`` where any of them changes, the value as far as it fits before the next
    change, ``?`` for a nibble with an unknown bit.
    """
    width = len(columns.outside)
    moved = np.zeros(width, np.bool_)
    for bit in bits:
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


def columns_of(view: View, times: NDArray[np.int64]) -> NDArray[np.int64]:
    """The distinct columns that show any of these rising times; far out, of evenly taken ones."""
    edges = view.edges()
    low, high = (int(at) for at in np.searchsorted(times, [edges[0], edges[-1]]))
    step = max(1, (high - low) // _MOST_ROWS)
    column = np.floor((times[low:high:step] - view.start) / view.ticks_per_column).astype(np.int64)
    return _distinct(column[(column >= 0) & (column < view.columns)])


def _distinct(rising: NDArray[np.int64]) -> NDArray[np.int64]:
    """Without repetitions. numpy's own ``unique`` first loads its masked arrays, which takes longer than a key may."""
    keep = np.ones(len(rising), np.bool_)
    keep[1:] = rising[1:] != rising[:-1]
    return rising[keep]
