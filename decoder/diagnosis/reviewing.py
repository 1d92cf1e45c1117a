"""Sets of shared faults that were found, judged again: with chips in view that were left out while little was known.

What a fault was judged without may turn out to be sound beside the set, or bad in a way that is known by then.
``most_work``: chips weighed again (see Card.work) after which no more is tried.
"""

from __future__ import annotations

from collections.abc import Sequence

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.out_of_view import PARTED_ROWS, bad_units, beside, blind_to
from busledger.decoder.diagnosis.overlay import Aside, Blind, NotLookedAt, hides, shorts
from busledger.decoder.diagnosis.own_doing import OwnDoing
from busledger.decoder.diagnosis.path import LANE_SCOPES, Path, PathFaultState, is_last_resort, lanes_at_times
from busledger.decoder.diagnosis.paths import beside_own, judged_again, propose_paths

__all__ = ["beside_lanes", "beside_the_bad", "beside_what_is_known", "in_full_view", "rebuilt", "with_path"]

# Judged, with the bounds of search.py.
_KNOWN = 2  # bad chips of the best set, one by one, beside which its faults are judged again; of another one chip
_STRUCK, _SOUND = 3, 0.5  # best sets that may turn out to have overlooked chips, and below which chance these are sound
_ASIDE, _NEAR = 3, 25.0  # sets with a lane that comes and goes, and nats that they lie below the best


def in_full_view(card: Card, states: list[CardState], most_work: float) -> list[CardState]:
    """The sets, with faults of the best one that were judged beside plainly bad chips judged again with the others of
    the set in these chips' place.

    Where these chips are sound beside the others of the set there was no reason not to look at them: what they show
    counts, and the set as it was judged without them is struck. Where some of them are, the fault is judged again
    without the others alone, and every set that has it as it was judged is struck.
    """
    gifts: list[Path] = []
    for _ in range(_STRUCK):
        best = max(states, key=lambda s: s.log_total)
        struck = False
        for path in best.paths if len(best.paths) > 1 else ():
            if getattr(path, "blind", None) is None or card.work > most_work:
                continue
            left = rebuilt(card, [p for p in best.paths if p is not path])
            if left is None:
                continue
            others = left.paths
            same = [p for p in propose_paths(card.study, left.rows, others, None) if p.key[:-1] == path.key[:-1]]
            sound, bad = _left_out(card, best, path)
            if sound and bad and isinstance(path, PathFaultState):
                again = beside_own(path, card.study, left.rows, others, _without(card, best, path, bad))
                same, gifts = [*same, *again], [*gifts, *[path][: len(again)]]
            states += [left, *(card.weigh((*others, p)) for p in same)]
            if lanes := lanes_at_times(others):
                aside = Aside(lanes, len(card.study.card.regions))
                states += _judged_anew(card, best.paths, best.paths.index(path), aside, most_work)
            struck |= path in gifts or (bool(sound) and not bad)
        if not struck:
            break
        states = [s for s in states if not any(path in gifts or _overlooked(card, s, path) for path in s.paths)]
    return states


def _without(card: Card, state: CardState, path: PathFaultState, bad: Sequence[int]) -> NotLookedAt:
    """Of the chips that a fault was judged without, those that are ``bad`` beside the set."""
    if not isinstance(path.blind, Blind):
        return OwnDoing(card.study, state.rows, {u: state.leaves[u] for u in bad})
    lanes: dict[int, int] = {}
    for u in bad:
        region = card.units[u].region
        lanes[region] = lanes.get(region, 0) | (path.blind.lanes.get(region, 0) & card.units[u].mask)
    return Blind(lanes, len(card.study.card.regions))


def _left_out(card: Card, state: CardState, path: Path) -> tuple[list[int], list[int]]:
    """Chips that a fault which comes and goes was judged without: those that are sound beside the set, and the others.
    Of one that acts every time these chips are judged at the cells that it leads to. What others of the set hide every
    time, a row that never answers, is neither: none of its reads is in view."""
    blind = path.blind if isinstance(path, PathFaultState) and not path.scored.hard else None
    sound: list[int] = []
    bad: list[int] = []
    hiding = [p for p in state.paths if p is not path and isinstance(p, PathFaultState) and _hides_all(p)]
    for u, unit in enumerate(card.units):
        if unit.region not in path.regions or not unit.mask & path.mask:
            continue
        if any(unit.region in p.regions and unit.mask & ~p.mask == 0 for p in hiding):
            continue
        plain = type(blind) is Blind and unit.mask & blind.lanes.get(unit.region, 0)
        if plain or (isinstance(blind, OwnDoing) and u in blind.units):
            (sound if state.bad[u] < _SOUND else bad).append(u)
    return sound, bad


def _hides_all(path: PathFaultState) -> bool:
    return path.scored.hard and hides(path.scored) and not shorts(path.scored)


def _overlooked(card: Card, state: CardState, path: Path) -> bool:
    """Whether all of them are sound."""
    sound, bad = _left_out(card, state, path)
    return bool(sound) and not bad


def beside_the_bad(card: Card, states: Sequence[CardState], most_work: float) -> list[CardState]:
    """Faults of the best set that were judged without chips which seemed plainly bad while nothing was known, judged
    again without those alone that still do: what another chip gave is theirs to explain."""
    best = max(states, key=lambda s: s.log_total)
    bad = blind_to(card, best)
    found: list[CardState] = []
    for number, path in enumerate(best.paths if bad is not None else ()):
        blind = path.blind if isinstance(path, PathFaultState) else None
        if not isinstance(path, PathFaultState) or type(blind) is not Blind or bad is None:
            continue
        if all(lanes & ~bad.lanes.get(r, 0) == 0 for r, lanes in blind.lanes.items()):
            continue
        found += _judged_anew(card, best.paths, number, bad, most_work)
    return found


def beside_lanes(card: Card, states: Sequence[CardState], most_work: float) -> list[CardState]:
    """The best sets in which a lane comes and goes, as do others: these judged again with that lane set aside. Judged
    first they were charged with what the lane gave, or excused it."""
    top = max(state.log_total for state in states)
    near = sorted((s for s in states if len(s.paths) > 1 and s.log_total > top - _NEAR), key=lambda s: -s.log_total)
    found: list[CardState] = []
    for state in near[:_ASIDE]:
        lanes = lanes_at_times(state.paths)
        for number, path in enumerate(state.paths if lanes else ()):
            if not isinstance(path, PathFaultState) or path.scored.hard or isinstance(path.blind, Aside):
                continue
            if path.scored.candidate.scope not in LANE_SCOPES:
                aside = Aside(lanes, len(card.study.card.regions))
                found += _judged_anew(card, state.paths, number, aside, most_work)
    return found


def _judged_anew(
    card: Card, paths: Sequence[Path], number: int, unseen: NotLookedAt, most_work: float
) -> list[CardState]:
    """The set with one of its faults judged without some lanes of reads, in each way that leaves it, and those that
    stand after it on what it leaves then; and the sets on the way."""
    path, found = paths[number], list[CardState]()
    before = card.weigh(paths[:number])
    again = beside_own(path, card.study, before.rows, before.paths, unseen) if isinstance(path, PathFaultState) else ()
    for one in again:
        state: CardState | None = card.weigh((*before.paths, one))
        while state is not None and card.work <= most_work:
            # Until the fault is in the set whose lanes were set aside nobody accounts for these.
            if not isinstance(unseen, Aside) or unseen.is_told(lanes_at_times(state.paths)):
                found.append(state)
            rest = paths[len(state.paths) :]
            state = with_path(card, state, rest[0]) if rest else None
    return found


def with_path(card: Card, state: CardState, path: Path) -> CardState | None:
    """One more fault in the set, judged on what that leaves; None where it leaves it no part."""
    again = judged_again(path, card.study, state.rows, state.paths)
    return None if again is None else card.weigh((*state.paths, again))


def rebuilt(card: Card, paths: Sequence[Path], *, anew: bool = False) -> CardState | None:
    """These faults as a set of their own, each judged on what those before it leave. ``anew``: one that this leaves no
    part, as chips that are bad hide it where they are looked at, may be judged without them."""
    state: CardState | None = card.weigh(())
    for path in paths:
        before, state = state, None if state is None else with_path(card, state, path)
        if state is None and before is not None and anew:
            proposed = propose_paths(
                card.study, before.rows, before.paths, blind_to(card, before), beside(card, before)
            )
            same = [card.weigh((*before.paths, p)) for p in proposed if p.key == path.key]
            state = max(same, key=lambda s: s.log_total, default=None)
    return state


def beside_what_is_known(card: Card, states: Sequence[CardState], most_work: float) -> list[CardState]:
    """Faults that come and go, of the best set and of the best of one fault, judged again without what the bad chips
    turned out to do of themselves: where both spoilt one read, it shows neither by itself, and the other chips would be
    charged with their part, or one more fault."""
    if len(card.rows) > PARTED_ROWS:
        return []
    first = max(states, key=lambda s: s.log_total)
    single = max((s for s in states if len(s.paths) == 1), key=lambda s: s.log_total, default=first)
    found: list[CardState] = []
    for state, many in ((first, _KNOWN), (single, 1))[: 1 if single is first else 2]:
        bad = sorted(bad_units(card, state), key=lambda u: -state.leaves[u].count.wrong)[:many]
        for path in state.paths if bad else ():
            if not isinstance(path, PathFaultState) or path.scored.hard or is_last_resort(path):
                continue
            left = rebuilt(card, [p for p in state.paths if p is not path])
            if left is None:
                continue
            for u in bad:
                own = OwnDoing(card.study, state.rows, {u: state.leaves[u]})
                again = beside_own(path, card.study, left.rows, left.paths, own)
                found += (card.weigh((*left.paths, p)) for p in again if card.work <= most_work)
    return found
