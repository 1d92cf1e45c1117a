"""A measured quantity as it streams by: a histogram, the extremes, and where they were."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["TimeTally"]

BINS = 1 << 14
BELOW = 1 << 10
"""Bins for negative values; with bins of 1 ns the histogram reaches from -1 µs to 15 µs."""
KEPT = 5


@dataclass
class TimeTally:
    """Values in ticks, ``width`` ticks a bin. ``bounded`` counts cycles in which nothing moved.

    ``lowest`` and ``highest`` hold up to five (value, cycle index, time) each, ties in order of time.
    """

    width: int
    counts: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BINS, np.int64))
    count: int = 0
    bounded: int = 0
    lowest: list[tuple[float, int, int]] = field(default_factory=list)
    highest: list[tuple[float, int, int]] = field(default_factory=list)

    def add(
        self, values: NDArray[np.float64] | NDArray[np.int64], index: NDArray[np.int64], time: NDArray[np.int64]
    ) -> None:
        """Values with the cycle's index and its sampling edge, ticks."""
        if not len(values):
            return
        self.count += len(values)
        if values.dtype.kind == "i":
            rounded = values if self.width == 1 else (2 * values + self.width) // (2 * self.width)
        else:
            rounded = np.floor(values / self.width + 0.5).astype(np.int64)
        place = np.clip(rounded + BELOW, 0, BINS - 1)
        self.counts += np.bincount(place, minlength=BINS)
        self.lowest = self._extreme(self.lowest, values, index, time, 1.0)
        self.highest = self._extreme(self.highest, values, index, time, -1.0)

    def _extreme(
        self,
        kept: list[tuple[float, int, int]],
        values: NDArray[np.float64] | NDArray[np.int64],
        index: NDArray[np.int64],
        time: NDArray[np.int64],
        sign: float,
    ) -> list[tuple[float, int, int]]:
        best = float(values.min() if sign > 0 else values.max())
        if len(kept) == KEPT and sign * best >= sign * kept[-1][0]:
            return kept
        signed = sign * values
        if len(signed) > KEPT:
            # Everything up to the fifth smallest, ties included, so that the earliest of equals wins.
            edge = np.partition(signed, KEPT - 1)[KEPT - 1]
            rows = np.flatnonzero(signed <= edge)
            rows = rows[np.lexsort((index[rows], signed[rows]))][:KEPT]
        else:
            rows = np.arange(len(signed))
        found = kept + [(float(values[r]), int(index[r]), int(time[r])) for r in rows]
        return sorted(found, key=lambda item: (sign * item[0], item[1]))[:KEPT]

    def quantile(self, share: float) -> float | None:
        """The value that ``share`` of them do not exceed, to one bin, ticks; None without any."""
        if not self.count:
            return None
        place = int(np.searchsorted(np.cumsum(self.counts), max(share * self.count, 1.0)))
        return float((place - BELOW) * self.width)

    def beyond(self, edge: float, above: bool) -> int:
        """How many lie above (or below) ``edge`` ticks, to one bin."""
        place = np.arange(BINS) - BELOW
        chosen = place * self.width > edge if above else place * self.width < edge
        return int(self.counts[chosen].sum())

    def coarse(self, width: int, bins: int) -> tuple[int, tuple[int, ...]]:
        """(first bin, counts) with ``width`` ticks a bin, at most ``bins`` of them; the last takes all above."""
        used = np.flatnonzero(self.counts)
        if not len(used):
            return 0, ()
        place = np.floor((used - BELOW) * self.width / width + 0.5).astype(np.int64)
        first = int(place[0])
        made = np.bincount(np.minimum(place - first, bins - 1), weights=self.counts[used])
        return first, tuple(int(v) for v in made)
