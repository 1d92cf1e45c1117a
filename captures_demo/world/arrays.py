"""What the virtual card's kernel is handed, by name."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Given", "Shown"]


class Given(NamedTuple):
    """What ``run_cards`` plays; n cycles.

    ``ops`` int64[n]: OP_READ, OP_WRITE or OP_IDLE; ``addresses``, ``literals`` int64[n]: bus address, data of a write;
    ``copies`` uint8[n]: 1 = the write stores what the last read gave, plus the literal; ``times`` int64[n]: when the
    cycle ends, in nanoseconds; ``active`` uint8[n, faults]: whether each fault acts; ``coins`` int64[n]: random levels
    for contention; ``regions``, ``cards``, ``faults`` int64 rows as the column constants say; ``chips`` int64[c]: lanes
    of each chip; ``memory`` int64[cells]: initial contents, changed in place; ``spread`` float64[cells]: factor on the
    retention time of each cell; ``settings`` int64[4]: how the CPU side floats, contention, mask of lanes, 1 = the low
    address byte comes first on the data lines; ``refresh`` uint8[n]: 1 = the bus is left alone after this cycle long
    enough to float.
    """

    ops: NDArray[np.int64]
    addresses: NDArray[np.int64]
    literals: NDArray[np.int64]
    copies: NDArray[np.uint8]
    times: NDArray[np.int64]
    active: NDArray[np.uint8]
    coins: NDArray[np.int64]
    regions: NDArray[np.int64]
    cards: NDArray[np.int64]
    chips: NDArray[np.int64]
    faults: NDArray[np.int64]
    memory: NDArray[np.int64]
    spread: NDArray[np.float64]
    settings: NDArray[np.int64]
    refresh: NDArray[np.uint8]


class Shown(NamedTuple):
    """What ``run_cards`` fills: ``data``, ``kept`` int64[n], CPU-side lines at the sampling edge, and as the cycle
    began; ``card_lines`` int64[n, cards], each card's own data lines at the sampling edge; ``select_lines``
    uint8[n, regions], 1 = the region is selected in this cycle."""

    data: NDArray[np.int64]
    kept: NDArray[np.int64]
    card_lines: NDArray[np.int64]
    select_lines: NDArray[np.uint8]
