"""What a shared fault that comes and goes leaves untold, of lanes that it was judged without.

Where it led an access elsewhere, or lost a write, nothing is known any more of what the chips gave that were not looked
at (``overlay``). What explains these lanes in the other reads did not get better by that: it is charged for the reads
that are untold as much as it costs for each of the others. So a fault is never the likelier for what nobody looked at.

A chip that gave what was due in a read that the fault led elsewhere would have to have failed just then, and by chance
so that it came right: that is what tells a fault of the chip beside it from one of the whole row.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.overlay import FoundFault, bent_reads
from busledger.decoder.diagnosis.path import NOT_LISTED, Path, PathFaultState
from busledger.decoder.diagnosis.replay.study import Overlay, Rows
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.scoring import log_own

__all__ = ["Untold"]

_BAD = 0.5  # chance past which a chip counts as what explains its lanes


class Untold:
    """The reads that faults of one set leave untold, by lane.

    ``paths``: the set, in the order in which it is laid over the rows.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths
        self._asked: dict[int, int] = {}  # of each that came after, the reads that it was judged by
        self._lost: list[tuple[int, int, NDArray[np.uint32]]] = []  # place in the set, region, lanes of each read
        self._right: list[Rows] = []

    def laid(self, place: int, before: Rows, overlay: Overlay) -> None:
        """One path was laid over the rows, which were ``before`` what those of the set before it left."""
        path = self._paths[place]
        if self._lost:
            mine = ~before.is_write & np.isin(before.region, np.array(path.regions, np.int16))
            self._asked[place] = int(np.count_nonzero(before.compared[mine] & np.uint32(path.mask & 0xFFFFFFFF)))
        if isinstance(overlay, FoundFault) and overlay.untold is not None:
            if overlay.came_right is not None and len(overlay.came_right):
                self._right.append(overlay.came_right)
            for region in path.regions:
                at = overlay.untold[before.region == region]
                if at.any():
                    self._lost.append((place, region, at[at != 0]))

    def log_charge(self, leaves: Sequence[Leaf], bad: NDArray[np.float64]) -> float:
        """Log of what the set owes, 0 or less. ``leaves``: the chips weighed behind it."""
        owed = 0.0
        for place, region, at in self._lost:
            for later in range(place + 1, len(self._paths)):
                path = self._paths[later]
                mine = path.mask & 0xFFFFFFFF
                reads = int(np.count_nonzero(at & np.uint32(mine)))
                if isinstance(path, PathFaultState) and region in path.regions and reads:
                    cost = log_own(path.scored, path.mask.bit_count()) / max(1, self._asked[later])
                    lanes = int(np.bitwise_or.reduce(at)) & mine
                    owed += min(0.0, cost) * reads * lanes.bit_count() / path.mask.bit_count()
            for leaf, chance in zip(leaves, bad.tolist(), strict=True):
                # A fault of these lanes that explains a read or two does not tell what the chip does in all others.
                reads = int(np.count_nonzero(at & np.uint32(leaf.unit.mask)))
                if leaf.unit.region == region and reads and chance > _BAD:
                    owed += min(0.0, leaf.best.log_like / max(1, leaf.count.reads)) * reads
        plainly = [leaf for leaf, chance in zip(leaves, bad.tolist(), strict=True) if chance > _BAD]
        return owed + sum(_by_chance(leaf, rows) for rows in self._right for leaf in plainly)


def _by_chance(leaf: Leaf, rows: Rows) -> float:
    """Log of the chance that a bad chip came right in these ``rows``, compared with what it was asked for: all but
    those in which a lane fault of its own gives just that. What other faults of it give is not asked."""
    mask = np.uint32(leaf.unit.mask)
    mine = rows.take((rows.region == leaf.unit.region) & (rows.wrong & mask != 0))
    if not len(mine):
        return 0.0
    left = mine.wrong & mask
    for scored in leaf.best.faults:
        behaviour = scored.variant.behaviour
        if not isinstance(behaviour, LaneFault):
            return 0.0
        if scored.candidate.fault != NOT_LISTED:
            level, known, _ = bent_reads(behaviour, mine)
            left &= ~(known & ~(level ^ mine.data))
    reads = int(np.count_nonzero(left))
    rate = (leaf.count.wrong + 0.5) / (leaf.count.reads + 1.0)
    return reads * (math.log(rate) - math.log(2.0 ** leaf.unit.mask.bit_count() - 1.0)) if reads else 0.0
