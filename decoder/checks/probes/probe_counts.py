"""What was counted of all channels of a capture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Profile
from busledger.decoder.checks.lines import FEMTOSECONDS_PER_NS
from busledger.decoder.checks.probes import probe_kernel as kernel
from busledger.decoder.checks.probes.silence import Silence
from busledger.decoder.checks.probes.walk import Walk

__all__ = ["FEW_MOVES", "ProbeCounts"]

FEW_MOVES = 64
"""Fewer changes tell no habit: a share of them is not known better than to an eighth (1 / sqrt 64)."""
_MANY_SAMPLES = 1 << 16  # in a period, beyond which it divides evenly enough


@dataclass(frozen=True)
class ProbeCounts:
    """What the kernel counted; see ``probe_kernel``. ``span`` and ``gaps`` in ticks, ``levels`` the last row,
    ``walk`` the steps of the address lines, ``silence`` of all channels, where no clock is clipped."""

    names: tuple[str, ...]
    lines: Mapping[str, str]
    profile: Profile | None
    tick_fs: int
    grid_ticks: float | None
    clock: int
    span: tuple[int, int]
    gaps: tuple[tuple[int, int], ...]
    levels: NDArray[np.uint64]
    channel: NDArray[np.int64]
    periods: NDArray[np.int64]
    sums: NDArray[np.int64]
    phase: NDArray[np.int64]
    runt_phase: NDArray[np.int64]
    together: NDArray[np.int64]
    bursts: NDArray[np.int64]
    walk: Walk
    silence: Silence

    def ns(self, count: float) -> float:
        """Ticks as nanoseconds, to a picosecond."""
        return round(count * self.tick_fs / FEMTOSECONDS_PER_NS, 3)

    def moment(self, tick: int) -> str:
        """A tick as milliseconds from the capture's start, for a sentence."""
        return f"{self.seconds(tick - self.span[0]) * 1e3:.3g} ms"

    def seconds(self, count: int) -> float:
        """Ticks as seconds."""
        return count * self.tick_fs * 1e-15

    def mean_period(self, c: int, place: int) -> float:
        """Of the periods of a channel that fell into one bin, ticks."""
        return float(self.sums[c, place]) / max(int(self.periods[c, place]), 1)

    @cached_property
    def pairs(self) -> list[list[int]]:
        """``together``, a list a channel."""
        found: list[list[int]] = self.together.tolist()
        return found

    @cached_property
    def room(self) -> NDArray[np.float64]:
        """float64 (PHASE_BINS,): the share of the clock's period in each part; samples do not divide it evenly."""
        even = np.full(kernel.PHASE_BINS, 1.0 / kernel.PHASE_BINS)
        if self.grid_ticks is None:
            return even
        used = np.flatnonzero(self.periods[self.clock])
        found = np.zeros(kernel.PHASE_BINS)
        for place in used:
            samples = round(self.mean_period(self.clock, int(place)) / self.grid_ticks)
            if samples > _MANY_SAMPLES:  # such as a period with a gap of minutes in it
                found += self.periods[self.clock, place] * even
                continue
            # The kernel measures a change against the period before its own.
            parts = np.arange(samples) * kernel.PHASE_BINS // max(samples, 1)
            found += np.bincount(parts, minlength=kernel.PHASE_BINS) * int(self.periods[self.clock, place])
        return found / found.sum() if found.all() else even
