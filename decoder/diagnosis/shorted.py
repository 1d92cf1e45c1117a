"""Reads through lanes that a shared fault joins, in which one chip or another must have given way.

Where both lanes were due at the level that loses, and both show the one that wins, one of the two gave it: which one
cannot be seen, and to charge both with it would convict a sound chip with each bad one. Of lanes that are joined now
and then this is one act more of the fault, at its rate, in place of what the other chip would be charged with.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.faults.candidate import bits_of
from busledger.decoder.diagnosis.overlay import shorts
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.scoring import Scored, rate_by_window

__all__ = ["Either", "either_lane"]


class Either(NamedTuple):
    """What one shorted region leaves to one chip or another.

    ``several``: bool a row, those that speak of one of two lanes; ``lanes``: the masks of these; ``log_acts``: log of
    the chance that the lanes were joined in all of them; None where they are in every read.
    """

    region: int
    several: NDArray[np.bool_]
    lanes: tuple[int, ...]
    log_acts: float | None


def either_lane(paths: Sequence[Path], rows: Rows) -> Iterator[Either]:
    """By shorted region, of the ``rows`` that the ``paths`` leave."""
    for path in paths:
        if not isinstance(path, PathFaultState):
            continue
        always, wins = shorts(path.scored), _wins_at_times(path.scored)
        if not always and wins is None:
            continue
        mask = np.uint32(path.mask)
        both = rows.wrong & mask == mask
        if not always:
            both &= rows.data & mask == np.uint32(wins or 0)
        rate = np.ones(0) if always else rate_by_window(path.scored)
        for region in np.unique(rows.region[both]).tolist():
            if region in path.regions:
                mine = both & (rows.region == region)
                acts = None if always else float(np.log(rate[rows.window[mine]]).sum())
                yield Either(region, mine, tuple(1 << lane for lane in bits_of(path.mask)), acts)


def _wins_at_times(scored: Scored) -> int | None:
    """The levels that both lanes show when they are joined now and then, at the read or at the write before."""
    behaviour = scored.variant.behaviour
    if scored.hard or not isinstance(behaviour, LaneFault) or behaviour.cell >= 0:
        return None
    return {lanes_kernel.AND: 0, lanes_kernel.OR: behaviour.mask}.get(behaviour.does)
