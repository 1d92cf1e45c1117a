"""What a shared fault that comes and goes leaves untold, of lanes that it was judged without.

Where it led an access elsewhere, or lost a write, nothing is known any more of what the chips gave that were not looked
at (``overlay``). What explains these lanes in the other reads did not get better by that: it is charged for the reads
that are untold as much as it costs for each of the others. So a fault is never the likelier for what nobody looked at.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.overlay import FoundFault
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.scoring import log_own

__all__ = ["Untold"]


class Untold:
    """The reads that faults of one set leave untold, by lane.

    ``paths``: the set, in the order in which it is laid over the rows.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths
        self._asked: list[int] = []  # of each, the reads that it was judged by, if it was judged after some were untold
        self._lost: list[tuple[int, int, int, int]] = []  # place in the set, region, lanes, reads

    def laid(self, place: int, rows: Rows, overlay: object) -> None:
        """One path was laid over ``rows``, which are what it left."""
        path = self._paths[place]
        mine = ~rows.is_write & np.isin(rows.region, np.array(path.regions, np.int16))
        self._asked.append(int(np.count_nonzero(rows.compared[mine] & np.uint32(path.mask & 0xFFFFFFFF))))
        if isinstance(overlay, FoundFault) and overlay.untold is not None:
            for region in path.regions:
                at = overlay.untold[rows.region == region]
                lanes = int(np.bitwise_or.reduce(at)) if len(at) else 0
                if lanes:
                    self._lost.append((place, region, lanes, int(np.count_nonzero(at))))

    def log_charge(self, leaves: Sequence[Leaf], bad: np.ndarray) -> float:
        """Log of what the set owes, 0 or less. ``leaves``: the chips weighed behind it."""
        owed = 0.0
        for place, region, lanes, reads in self._lost:
            told = 0
            for later in range(place + 1, len(self._paths)):
                path = self._paths[later]
                if isinstance(path, PathFaultState) and region in path.regions and path.mask & lanes & ~told:
                    cost = log_own(path.scored, path.mask.bit_count()) / max(1, self._asked[later])
                    share = (path.mask & lanes & ~told).bit_count() / path.mask.bit_count()
                    owed += min(0.0, cost) * reads * share
                    told |= path.mask & lanes
            for leaf, chance in zip(leaves, bad.tolist(), strict=True):
                if leaf.unit.region == region and leaf.unit.mask & lanes & ~told and chance > 0.5:
                    owed += min(0.0, leaf.best.log_like / max(1, leaf.count.reads)) * reads
        return owed
