"""Which lanes of a bad chip cost it what it loses: a shared fault of one lane takes that lane's share, and leaves the
others'.

A chip whose several lanes are bad, each with a fault of its own, may be dead for certain on three of them, which costs
next to nothing, and lose all that it does on the fourth, which comes and goes. Shared out by reads, what a fault of the
fourth lane gains is lost among the reads of the other three.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.card import CardState
from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.scoring import log_own

__all__ = ["lane_shares", "part_gone", "wrong_by_lane"]

Floats = NDArray[np.float64]


def lane_shares(state: CardState) -> dict[int, Floats]:
    """float64[32] by the index of each chip whose likeliest way to be bad is faults of several lanes: what each lane
    loses, in nats."""
    found = {}
    for u, leaf in enumerate(state.leaves):
        shares = _shares(leaf)
        if shares is not None:
            found[u] = shares
    return found


def _shares(leaf: Leaf) -> Floats | None:
    faults = leaf.best.faults
    masks = [scored.candidate.mask for scored in faults]
    if len(faults) < 2 or any(mask.bit_count() != 1 for mask in masks) or len(set(masks)) < len(masks):
        return None
    found = np.zeros(32, np.float64)
    for scored, mask in zip(faults, masks, strict=True):
        found[mask.bit_length() - 1] = max(0.0, -log_own(scored, 1))
    return found if found.any() else None


def wrong_by_lane(rows: Rows, regions: int) -> NDArray[np.int64]:
    """int64[regions, 32], wrong reads on each lane of each region."""
    bad = np.flatnonzero(rows.wrong)
    found = np.zeros((regions, 32), np.int64)
    keys = (rows.region[bad].astype(np.uint64) << np.uint64(32)) | rows.wrong[bad]
    patterns, often = np.unique(keys, return_counts=True)
    lanes = (patterns[:, None] >> np.arange(32, dtype=np.uint64) & np.uint64(1)).astype(np.int64)
    np.add.at(found, (patterns >> np.uint64(32)).astype(np.int64), lanes * often[:, None])
    return found


def part_gone(shares: Mapping[int, Floats], unit: int, before: NDArray[np.int64], after: NDArray[np.int64]) -> float:
    """What share of a chip's loss goes with its lanes' wrong reads: int64[32] ``before`` and ``after``, of its region.
    0 of a chip whose loss is not one of lanes, or that has more wrong reads on one of them than before."""
    lost = shares.get(unit)
    if lost is None or (after > before)[lost > 0.0].any():
        return 0.0
    return float((lost * (1.0 - after / np.maximum(1, before))).sum() / lost.sum())
