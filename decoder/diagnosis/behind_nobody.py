"""A lane that is bad before a row that nobody drives: every lane shows what an undriven bus shows, but for that one.

A row that never answers takes all of its reads, and its select, seen to be away, is beyond doubt: whatever is proposed
beside it has nothing left to explain, and the lane that differs passes for a bus that rests strangely, or for a row
that answers at times. The lane is taken first, and the row judged by the other ones.
"""

from __future__ import annotations

from collections.abc import Sequence

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.overlay import hides
from busledger.decoder.diagnosis.path import LANE_SCOPES, Path, PathFaultState
from busledger.decoder.diagnosis.paths import judged, replayed_alone
from busledger.decoder.diagnosis.replay.theory import PathFault

__all__ = ["behind_nobody"]

_LEAST, _TRIED = 4, 4  # reads that a lane spoils, with no chance missed; lanes tried. A bound of work


def behind_nobody(card: Card, states: Sequence[CardState], most_work: float) -> list[CardState]:
    """The best set in which rows do not answer, with a lane before each of these, and that row judged again after it.
    ``most_work``: chips weighed again (see Card.work) after which no more is tried."""
    found: list[CardState] = []
    able = [state for state in states if any(_is_silent(path) for path in state.paths)]
    if not able or card.work > most_work:
        return found
    state = max(able, key=lambda s: s.log_total)
    rows = [p for p in state.paths if isinstance(p, PathFaultState) and _is_silent(p)]
    lanes = [p for p in replayed_alone(card.study, card.rows) if _is_lane(p)]
    lanes.sort(key=lambda p: -p.log_weight)
    for row in rows:
        others = tuple(p for p in state.paths if p is not row)
        for lane in [p for p in lanes if set(row.regions) <= set(p.regions)][:_TRIED]:
            if card.work > most_work or any(p.key[:-1] == lane.key[:-1] for p in others):
                continue
            found += _after(card, (lane,), row, others)
    return found


def _is_silent(path: Path) -> bool:
    """Whether nobody answers in its rows: not a decoder that sees other addresses, where other rows may."""
    behaviour = path.scored.variant.behaviour if isinstance(path, PathFaultState) else None
    return isinstance(behaviour, PathFault) and behaviour.op == "silent"


def _is_lane(path: PathFaultState) -> bool:
    tally = path.scored.effect.tally
    plain = path.scored.candidate.scope in LANE_SCOPES and path.mask.bit_count() == 1
    return plain and path.scored.hard and hides(path.scored) and tally.hits >= _LEAST and not tally.misses


def _after(card: Card, first: Sequence[Path], row: PathFaultState, others: Sequence[Path]) -> list[CardState]:
    """The lane, then the row acting every time in the way that suits it best, then what else the set holds."""
    study, before = card.study, card.weigh(first)
    again = judged(
        study, [row.scored.candidate], study.survey([before.rows]), before.rows, first, None, before.rows, unseen=True
    )
    always = [card.weigh((*first, p)) for p in again if p.scored.hard]
    best = max(always, key=lambda s: s.log_total, default=None)
    if best is None:
        return []
    return [best, card.weigh((*best.paths, *others))] if others else [best]
