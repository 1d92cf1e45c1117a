"""What the probes' kernel are handed, by name."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Carried", "Tallies"]


class Carried(NamedTuple):
    """From block to block: ``before``, ``before_unknown``, ``moved`` uint64 (words,), ``state`` int64 (STATE_SIZE,).

    To work in: ``now`` uint64 (words,)."""

    before: NDArray[np.uint64]
    before_unknown: NDArray[np.uint64]
    moved: NDArray[np.uint64]
    state: NDArray[np.int64]
    now: NDArray[np.uint64]


class Tallies(NamedTuple):
    """int64: ``channel`` (channels, CHANNEL_SIZE), ``periods``, ``sums`` (channels, PERIOD_BINS), ``phase`` (channels,
    PHASE_BINS), ``runt_phase`` the same of pulses of one sample alone, ``together`` (channels, channels) changes of
    a with b, of a at all with itself, ``bursts`` by size."""

    channel: NDArray[np.int64]
    periods: NDArray[np.int64]
    sums: NDArray[np.int64]
    phase: NDArray[np.int64]
    runt_phase: NDArray[np.int64]
    together: NDArray[np.int64]
    bursts: NDArray[np.int64]
