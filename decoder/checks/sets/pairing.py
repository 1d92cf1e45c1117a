"""Which cycle of one wired set is which of another: pairs of the moments at which both were sampled."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.sets.transfers import ROW

__all__ = ["Window", "pair_by_time", "usual_interval", "windows"]


def pair_by_time(first: NDArray[np.int64], second: NDArray[np.int64], within: int) -> NDArray[np.intp]:
    """For each moment of ``first`` the index of its partner in ``second``, -1 without one.

    Two moments are partners when each is the nearest that the other list has and they are at most ``within`` ticks
    apart, so nobody has two partners. Of two equally near the earlier one counts.

    Parameters
    ----------
    first, second : int64, never falling, ticks
    """
    partner = np.full(len(first), -1, np.intp)
    if not len(first) or not len(second):
        return partner
    there, back = _nearest(first, second), _nearest(second, first)
    mutual = back[there] == np.arange(len(first))
    mutual &= np.abs(second[there] - first) <= within
    partner[mutual] = there[mutual]
    return partner


def _nearest(times: NDArray[np.int64], among: NDArray[np.int64]) -> NDArray[np.intp]:
    after = np.searchsorted(among, times, side="left")
    before = np.maximum(after - 1, 0)
    after = np.minimum(after, len(among) - 1)
    nearer = np.abs(among[after] - times) < np.abs(times - among[before])
    return np.where(nearer, after, before)


def usual_interval(times: NDArray[np.int64]) -> int | None:
    """Ticks between transfers that follow each other closely: the lower quartile of the intervals; None without any."""
    steps = np.diff(times)
    steps = steps[steps > 0]
    return int(np.quantile(steps, 0.25)) if len(steps) else None


@dataclass
class Window:
    """A stretch of two lists of transfers that can be paired on its own.

    ``first``, ``second``: ``ROW`` arrays with a margin on both sides; ``own_first``, ``own_second``: bool, the rows
    that this window counts, each of them in exactly one window.
    """

    first: NDArray[Any]
    second: NDArray[Any]
    own_first: NDArray[np.bool_]
    own_second: NDArray[np.bool_]


def windows(first: Iterable[NDArray[Any]], second: Iterable[NDArray[Any]], within: int) -> Iterator[Window]:
    """Cut two lists, each given in blocks, so that ``pair_by_time`` finds the same pairs as in the whole lists.

    Whether two moments are partners depends on what lies up to twice ``within`` from either, so each window brings
    that much more than it counts.
    """
    sides = (_Side(iter(first)), _Side(iter(second)))
    done = np.iinfo(np.int64).min
    while True:
        for side in sides:
            side.fill(done)
        horizon = min(side.known_to for side in sides)
        cut = horizon if all(side.ended for side in sides) else horizon - 2 * within  # all: past the last row
        if cut > done:
            own = [(side.rows["time"] > done) & (side.rows["time"] <= cut) for side in sides]
            yield Window(sides[0].rows, sides[1].rows, own[0], own[1])
            done = cut
            for side in sides:
                side.forget(cut - 2 * within)
        if all(side.ended for side in sides):
            return
        for side in sides:
            if side.known_to == horizon:
                side.more()


@dataclass
class _Side:
    """The rows of one list that are still in reach."""

    blocks: Iterator[NDArray[Any]]
    rows: NDArray[Any] = field(default_factory=lambda: np.zeros(0, ROW))
    ended: bool = False

    @property
    def known_to(self) -> int:
        """The last tick of which every row is here; a block may end between two rows of one tick."""
        return int(np.iinfo(np.int64).max) if self.ended else int(self.rows["time"][-1]) - 1

    def fill(self, beyond: int) -> None:
        """At least one row later than ``beyond``, or the end."""
        while not self.ended and (not len(self.rows) or self.rows["time"][-1] <= beyond):
            self.more()

    def more(self) -> None:
        """The next block."""
        block = next(self.blocks, None)
        if block is None:
            self.ended = True
        else:
            self.rows = np.concatenate([self.rows, block])

    def forget(self, until: int) -> None:
        """Rows up to that tick, but the last one: it says how far the list is known."""
        self.rows = self.rows[min(int(np.searchsorted(self.rows["time"], until, side="right")), len(self.rows) - 1) :]
