"""Levels over time: a builder of edges, line by line."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["Waves"]


@dataclass(slots=True)
class Waves:
    """Edges of each line, collected in any order.

    ``put`` adds edges: ``times`` int64 nanoseconds, ``levels`` uint8 (0 or 1).
    ``line`` gives a line's edges sorted by time, those that change nothing left out.
    """

    parts: dict[str, list[tuple[NDArray[np.int64], NDArray[np.uint8]]]] = field(default_factory=dict)

    def put(self, name: str, times: NDArray[np.int64], levels: NDArray[np.uint8] | int) -> None:
        """Edges of one line; a single level stands for all of them."""
        made = np.asarray(times, np.int64)
        level = np.broadcast_to(np.asarray(levels, np.uint8), made.shape)
        self.parts.setdefault(name, []).append((made, level))

    def put_word(
        self, prefix: str, bits: int, times: NDArray[np.int64], words: NDArray[np.int64], lag: NDArray[np.int64]
    ) -> None:
        """Edges of ``prefix0`` …: bit b of each word, ``lag[b]`` nanoseconds after ``times``."""
        for bit in range(bits):
            self.put(f"{prefix}{bit}", times + lag[bit], ((words >> bit) & 1).astype(np.uint8))

    def line(self, name: str) -> tuple[NDArray[np.int64], NDArray[np.uint8]]:
        """(times, levels) of one line; KeyError if it was never put."""
        times = np.concatenate([t for t, _ in self.parts[name]])
        levels = np.concatenate([v for _, v in self.parts[name]])
        order = np.argsort(times, kind="stable")
        times, levels = times[order], levels[order]
        if times.shape[0] == 0:
            return times, levels
        changes = np.concatenate([[True], levels[1:] != levels[:-1]])
        return times[changes], levels[changes]

    def pulse(self, name: str, starts: NDArray[np.int64], ends: NDArray[np.int64], level: int) -> None:
        """A line at ``level`` from each start to each end, and at the other level after it."""
        self.put(name, starts, level)
        self.put(name, ends, 1 - level)

    def names(self) -> list[str]:
        """Every line that was put, in order."""
        return list(self.parts)
