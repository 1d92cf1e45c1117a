"""A chip with two faults on the same lanes: the second judged on what the first leaves of the chip's reads.

Two faults on different lanes are weighed lane by lane (``leaves``). On the same lanes one hides part of the other, so
the first is laid over the reads, as a shared fault is, and the rest weighed as a chip of its own.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from busledger.decoder.diagnosis.faults.candidate import priors
from busledger.decoder.diagnosis.leaf import LeafState
from busledger.decoder.diagnosis.overlay import FoundFault, hides
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault, PathFault
from busledger.decoder.diagnosis.scoring import Scored, log_own

__all__ = ["second_faults"]

# Judged. All doubled at once, and all halved (four cards, as in patches.py): the same answers, no part's chance moves.
# Nats that the best single fault must leave unsaid before a second one is asked about: what the chip's prior for it,
# its own prior and its rate cost together, about twenty.
_LEFT = 25.0
_LEAST = 3  # wrong reads that a first fault explains
_KEPT = 6  # second faults told apart
_WORTH = 4.0  # nats that one read explained may be worth


def second_faults(
    study: Study, rows: Rows, states: Sequence[LeafState], rest: Callable[[Rows], Iterable[LeafState]]
) -> list[LeafState]:
    """States with two faults. ``rows``: the chip's, narrowed to its lanes; ``rest``: weighs what a first fault leaves.
    """
    if not states or max(state.log for state in states) > -_LEFT:
        return []
    able = [s for s in states if len(s.faults) == 1 and _is_first(s.faults[0])]
    if not able:
        return []
    # The one that leaves least unsaid, and the one that says most for what it costs; of those that act every time, too,
    # which any other fault speaks against.
    chosen = [max(able, key=lambda s: s.log), max(able, key=_says)]
    if always := [s for s in able if s.faults[0].hard]:
        chosen.append(max(always, key=_says))
    weight = math.log(float(priors()["leaf"]["second"]))
    found = []
    for state in {id(s): s for s in chosen}.values():
        first = state.faults[0]
        overlay = FoundFault(first, study)
        overlay.start()
        second = [s for s in rest(overlay.feed(rows)) if s.log_like > -math.inf]
        found += [
            LeafState(weight + state.log_weight + s.log_weight, _own(state) + s.log_like, (first, *s.faults))
            for s in sorted(second, key=lambda s: -s.log)[:_KEPT]
        ]
    return found


def _says(state: LeafState) -> float:
    return state.log_weight + _own(state) + _WORTH * state.faults[0].covers


def _is_first(scored: Scored) -> bool:
    behaviour = scored.variant.behaviour
    if scored.detail or not isinstance(behaviour, LaneFault | PathFault) or getattr(behaviour, "cell", -1) >= 0:
        return False
    return scored.covers >= _LEAST and not (scored.hard and hides(scored)) and scored.candidate.fault != "unlisted"


def _own(state: LeafState) -> float:
    first = state.faults[0]
    return log_own(first, first.candidate.mask.bit_count())
