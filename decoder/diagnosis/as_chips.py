"""A lane that several rows share and that comes and goes in each row as it would in a chip of its own.

How often a driver or a contact fails goes by what the traffic does there: how many lines move with it, how hard the
chips of a row pull, where in the capture the program is at work on them. Chips are weighed with all the habits that
one may have, one by one; that many of them should have one and the same lane at one and the same level, each by chance,
is what tells a shared lane from them, and it must not be lost because each row has a rate of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.path import Path, PathFaultState
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.scoring import log_own

__all__ = ["as_chips_show"]

_ROWS = 3  # that show it; of two, chance tells less
_AS_CHIPS = math.log(0.1)  # share of lanes that come and go in a way of its own in each row. Judged


def as_chips_show(card: Card, state: CardState, proposed: Sequence[Path]) -> list[Path]:
    """The same, where a lane is likelier by what each row's own chip tells of it; under each of its names, and whether
    writes pass through it or not, where they show nothing of it."""
    found = [_as_chips(state, path) if _may_be(path) else path for path in proposed]
    gained = {_told(path): path for path in found if isinstance(path, PathFaultState) and path.gain}
    return [
        path.with_gain_of(gained[_told(path)])
        if isinstance(path, PathFaultState) and path.blind is None and _told(path) in gained
        else path
        for path in found
    ]


def _told(path: PathFaultState) -> tuple[object, ...]:
    scored = path.scored
    return scored.candidate.fault, scored.variant.label, path.mask, scored.effect.tally


def _may_be(path: Path) -> bool:
    if not isinstance(path, PathFaultState) or path.scored.hard or path.blind is not None:
        return False
    apart = path.scored.effect.apart
    bent = isinstance(path.scored.variant.behaviour, LaneFault) and path.scored.path is None
    return bent and path.mask.bit_count() == 1 and sum(bool(of_row[:, 0].any()) for of_row in apart) >= _ROWS


def _as_chips(state: CardState, path: Path) -> Path:
    assert isinstance(path, PathFaultState)
    scored = path.scored
    of_rows, told = 0.0, 0
    for region, chances in zip(path.regions, scored.effect.apart, strict=True):
        hits, misses = (int(n) for n in chances.sum(axis=0))
        leaf = next(
            (one for one in state.leaves if one.unit.region == region and one.unit.mask & path.mask), None
        ) if hits else None  # fmt: skip
        like = None if leaf is None else _of_lane(leaf, path, hits)
        told += like is not None
        of_rows += log_rate(hits, misses, SOMETIMES) if like is None else like
    if told < _ROWS:
        return path
    gain = log_sum([math.log1p(-math.exp(_AS_CHIPS)), _AS_CHIPS + of_rows - log_own(scored, 1)])
    return replace(path, log_weight=path.log_weight + gain, gain=gain) if gain > 0.0 else path


def _of_lane(leaf: Leaf, path: PathFaultState, hits: int) -> float | None:
    """Log likelihood of what a chip shows, given that this fault of this lane is all that is wrong with it, wherever
    and whenever it may act; None where more is wrong with it."""
    if leaf.count.wrong != hits:
        return None
    fault, label = path.scored.candidate.fault, path.scored.variant.label
    alone = [
        state
        for state in leaf.states
        if all(one.candidate.fault == fault and one.candidate.mask == path.mask and not one.hard
               and one.variant.label == label for one in state.faults)
    ]  # fmt: skip
    if not alone:
        return None
    return log_sum([state.log for state in alone]) - log_sum([state.log_weight for state in alone])
