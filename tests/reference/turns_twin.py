"""Slow twin of the kernel that sorts accesses to two banks: every row carries its group's name and its side."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple


class Seen(NamedTuple):
    """One access; all lanes in ``sure`` are settled."""

    cell: int
    write: bool
    data: int
    sure: int


class Sides:
    """Rows in groups; in a group each row is of one side or of the other."""

    def __init__(self, rows: int) -> None:
        self.group = list(range(rows))
        self.side = [0] * rows

    def tie(self, one: int, two: int, differ: int) -> int:
        """1 where the two were known to lie otherwise."""
        if self.group[one] == self.group[two]:
            return int(self.side[one] ^ self.side[two] != differ)
        turn = self.side[one] ^ self.side[two] ^ differ
        gone = self.group[two]
        for row, group in enumerate(self.group):
            if group == gone:
                self.group[row] = self.group[one]
                self.side[row] ^= turn
        return 0

    def told(self) -> list[tuple[int, int]]:
        """(first row of its group, whether on the other side than that) of each row."""
        first: dict[int, int] = {}
        for row, group in enumerate(self.group):
            first.setdefault(group, row)
        return [(first[group], self.side[row] ^ self.side[first[group]]) for row, group in enumerate(self.group)]


def tied(rows: Sequence[Seen], back: int) -> tuple[Sides, int]:
    """The groups, and how often a read contradicts what others said."""
    sides, odd = Sides(len(rows)), 0
    for i, row in enumerate(rows):
        story = [k for k in range(i) if rows[k].cell == row.cell][::-1]
        if row.write or row.sure == 0 or not story:
            continue
        fits = [k for k in story[:back] if (rows[k].data ^ row.data) & rows[k].sure & row.sure == 0]
        if not fits:
            odd += sides.tie(story[0], i, 1)
            continue
        odd += sides.tie(fits[0], i, 0)
        odd += sum(sides.tie(k, i, 1) for k in story[: story.index(fits[0])])
    return sides, odd
