"""Rows of levels that the cycle kernels look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.tables import Levels
from busledger.decoder.capture import Capture

__all__ = ["Rows"]


@dataclass(frozen=True, slots=True)
class Rows:
    """time int64 (n,) in ticks; levels, unknown uint64 (n, words); base: the number of row 0 in the capture."""

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    base: int

    @classmethod
    def none(cls, words: int) -> Rows:
        """No rows yet."""
        nothing = np.zeros((0, words), np.uint64)
        return cls(np.zeros(0, np.int64), nothing, nothing.copy(), 0)

    @classmethod
    def of(cls, block: Capture, base: int) -> Rows:
        """A block's rows, copied only if they do not lie as the kernels are compiled for."""
        return cls(
            np.require(block.time, None, ("C", "W")),
            np.require(block.levels, None, ("C", "W")),
            np.require(block.unknown, None, ("C", "W")),
            base,
        )

    @property
    def columns(self) -> Levels:
        """The rows as the kernels take them."""
        return Levels(self.time, self.levels.reshape(-1), self.unknown.reshape(-1))

    @property
    def count(self) -> int:
        return len(self.time)

    @property
    def stop(self) -> int:
        """The number of the row after the last."""
        return self.base + len(self.time)

    def part(self, start: int, stop: int) -> Rows:
        """Rows ``start:stop`` of these, as views."""
        return Rows(self.time[start:stop], self.levels[start:stop], self.unknown[start:stop], self.base + start)

    def joined(self, more: Rows) -> Rows:
        """These rows and those that follow them."""
        return Rows(
            np.concatenate([self.time, more.time]),
            np.concatenate([self.levels, more.levels]),
            np.concatenate([self.unknown, more.unknown]),
            self.base,
        )

    def copy(self) -> Rows:
        """The same rows in memory of their own."""
        return Rows(self.time.copy(), self.levels.copy(), self.unknown.copy(), self.base)

    def reach(self, row: int, ticks: int) -> int:
        """The last row at least ``ticks`` before row number ``row``, counted from row 0 here; -1: it is before them."""
        return int(np.searchsorted(self.time, self.time[row - self.base] - ticks, side="right")) - 1
