"""The clock among the channels: its period, how steady it is, and the holes in it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.checks.probes import probe_kernel as kernel
from busledger.decoder.checks.probes.probe_counts import FEW_MOVES, ProbeCounts
from busledger.decoder.checks.results import ClockFinding

__all__ = ["clock_of", "steadiest"]

# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py; two clips
# exchanged and a strobe's clip off, too).
STEADY = 0.25
"""A clock's period may spread so much of itself (two samples in eight)."""
DROPOUT_PERIODS = 3.0
"""A clock that is silent for so many periods was not recorded: no processor of the period stretches one clock so far,
those that stretch it for slow memory (6800, 6809: MRDY) by whole quarters of a cycle (judged)."""


def _median_bin(periods: NDArray[np.int64]) -> int:
    return int(np.searchsorted(np.cumsum(periods), (int(periods.sum()) + 1) // 2))


def _around(counts: ProbeCounts, c: int, middle: int) -> float:
    """Mean period of the bins beside the median one, ticks."""
    low, high = max(middle - 3, 0), middle + 4
    return float(counts.sums[c, low:high].sum()) / max(int(counts.periods[c, low:high].sum()), 1)


def steadiest(counts: ProbeCounts) -> int:
    """The channel that looks like a clock: of those with a steady period the one that moves most; -1 if none does."""
    best, moves = -1, 0
    for c in range(len(counts.names)):
        total = int(counts.periods[c].sum())
        if total < FEW_MOVES:
            continue
        used = np.cumsum(counts.periods[c])
        low, high = np.searchsorted(used, [0.01 * total + 1, 0.99 * total])
        middle = _median_bin(counts.periods[c])
        spread = counts.mean_period(c, int(high)) - counts.mean_period(c, int(low))
        steady = spread <= STEADY * counts.mean_period(c, middle) + 2 * (counts.grid_ticks or 0.0)
        if steady and int(counts.channel[c, kernel.MOVES]) > moves:
            best, moves = c, int(counts.channel[c, kernel.MOVES])
    return best


def clock_of(counts: ProbeCounts, c: int) -> ClockFinding | None:
    total = int(counts.periods[c].sum())
    if not total:
        return None
    used = np.flatnonzero(counts.periods[c])
    period = _around(counts, c, _median_bin(counts.periods[c]))
    cumulated = np.cumsum(counts.periods[c])
    low, high = np.searchsorted(cumulated, [0.01 * total + 1, 0.99 * total])
    means = counts.sums[c, used] / counts.periods[c, used]
    holes = used[means > DROPOUT_PERIODS * period]
    missing = int(counts.periods[c, holes].sum())
    ordinary = used[means <= DROPOUT_PERIODS * period]
    mean = counts.sums[c, ordinary].sum() / counts.periods[c, ordinary].sum()
    variance = float(
        (counts.periods[c, ordinary] * (counts.sums[c, ordinary] / counts.periods[c, ordinary] - mean) ** 2).sum()
    )
    longest, at = int(counts.channel[c, kernel.LONGEST]), int(counts.channel[c, kernel.LONGEST_AT])
    if counts.clock < 0:
        # What stands in for a clock is a strobe that a program may leave alone.
        missing, at, longest = counts.silence.longer(DROPOUT_PERIODS * period)
    return ClockFinding(
        channel=counts.names[c],
        period_ns=counts.ns(period),
        period_min_ns=counts.ns(counts.mean_period(c, int(low))),
        period_max_ns=counts.ns(counts.mean_period(c, int(high))),
        spread_ns=counts.ns((variance / int(counts.periods[c, ordinary].sum())) ** 0.5),
        edges=total + 1,
        dropouts=missing,
        first_dropout_s=counts.seconds(at) if missing else None,
        longest_dropout_s=counts.seconds(longest) if missing else 0.0,
    )
