"""Which sets of shared faults are worth weighing: none, one, two, three where two leave much.

Every set must beat what the chips explain by themselves, with the chips free to fail. For each shared fault the most
that it could gain is known before the chips are weighed again (its own weight, and all that the chips it touches lose
by their wrong reads), so that few need to be.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.overlay import Blind
from busledger.decoder.diagnosis.paths import Path, propose_paths
from busledger.decoder.progress import Progress, silent

__all__ = ["search"]

_AT_MOST = 3  # shared faults of one card
_BELOW_BEST = 9.0  # nats; a set whose most is further below the best is not weighed
_TRIED = (16, 10, 6)  # sets weighed at each size
_FOLLOWED = (2, 1)  # sets grown further
_A_READ = 16.0  # nats that explaining one wrong read can gain at the most: see leaves.log_noise
_PLAIN = 0.9  # chance of being bad past which a chip is left out when wider faults are judged
_PLAIN_KINDS = frozenset({"stuck-low", "stuck-high", "floating", "dead"})

Extra = Callable[[CardState], Sequence[Path]]


def search(card: Card, extra: Sequence[Path] = (), progress: Progress = silent) -> list[CardState]:
    """All sets weighed, best first. ``extra``: causes outside the card (clips, the machine) that compete."""
    states = [card.weigh(())]
    front = states
    for size in range(_AT_MOST):
        grown: list[CardState] = []
        best = max(state.log_total for state in states)
        for state in front:
            if state.rows.wrong.any():
                grown += _extended(card, state, extra, best, _TRIED[size], states)
        progress("weighing suspects", len(states) + len(grown), None, "sets of faults")
        states += grown
        if size >= len(_FOLLOWED):
            break
        grown.sort(key=lambda s: -s.log_total)
        front = [s for s in grown[: _FOLLOWED[size]] if s.log_total > best - _BELOW_BEST]
        if not front:
            break
    return sorted(states, key=lambda s: -s.log_total)


def _extended(
    card: Card, state: CardState, extra: Sequence[Path], best: float, tried: int, done: Sequence[CardState]
) -> list[CardState]:
    proposed: list[Path] = list(propose_paths(card.study, state.rows, state.paths, _blind(card, state)))
    held = {path.key for path in state.paths}
    proposed += [path for path in extra if path.key not in held]
    gains = state.gains
    ranked = []
    for path in proposed:
        most = path.log_weight + path.log_charge + sum(
            min(gain, _A_READ * max(1, path.hits))
            for gain, unit in zip(gains, card.units, strict=True)
            if gain > 0.0 and unit.region in path.regions and unit.mask & path.mask
        )
        ranked.append((most, path))
    ranked.sort(key=lambda item: -item[0])
    found: list[CardState] = []
    seen = {frozenset(path.key for path in s.paths) for s in done}
    for most, path in ranked:
        if len(found) >= tried or state.log_total + most < best - _BELOW_BEST:
            break
        if frozenset({*held, path.key}) in seen and path.key not in {f.paths[-1].key for f in found}:
            continue
        now = card.weigh((*state.paths, path))
        found.append(now)
        best = max(best, now.log_total)
    return _one_each(found)


def _one_each(states: Sequence[CardState]) -> list[CardState]:
    """Of one set weighed in several ways, all: they are ways to be true. Those without any weight go."""
    return [state for state in states if state.log_total > float("-inf")]


def _blind(card: Card, state: CardState) -> Blind | None:
    """Chips that are plainly bad by a fault of their lanes."""
    lanes: dict[int, int] = {}
    for unit, leaf, bad in zip(card.units, state.leaves, state.bad, strict=True):
        if bad < _PLAIN or not leaf.count.wrong:
            continue
        best = leaf.best
        if best.faults[0].candidate.fault in _PLAIN_KINDS and best.log_like > -2.0 * max(1, leaf.count.wrong) ** 0.5 - 30.0:
            lanes[unit.region] = lanes.get(unit.region, 0) | unit.mask
    return Blind(lanes, len(card.study.card.regions)) if lanes else None
