"""From weighed sets of faults to what is believed of each part, and to places: each place one thing that is wrong."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.leaf import Leaf, LeafState
from busledger.decoder.diagnosis.path import Innocent, Path, PathFaultState
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.rivals.standing import TIED
from busledger.decoder.diagnosis.scoring import Scored
from busledger.decoder.findings import FaultName

__all__ = ["Item", "PartMarginal", "Place", "Posterior", "places_of", "posterior"]

# _SEED is where a thing is likelier than not; the others are judged, and about what is listed, not what is believed.
# All doubled, and all halved (six cards, as in search.py): no part's chance moves; the suspect that is listed first is
# another on two cards, and on one.
_SEED = 0.5  # chance from which a thing has a place of its own
_EVEN = 1e-6
_WEAK_SEED = 0.2  # chance from which the likeliest thing has one where nothing reaches the above
_BESIDE = 0.5  # of an item's chance, beside another: it is no alternative to that one
_SHOWN = 0.005  # a suspect below it would be listed with 0 %
_OF_A_CHIP = 24  # ways to be bad that are told apart, of one chip


@dataclass
class Item:
    """One suspect: a fault of one part, over all the sets it is in.

    ``fault``: its likeliest way of failing; ``unit``: index of its chip, None for shared parts; ``others``: faults of
    further lanes of the same chip; ``path``: the shared thing, where it is one; ``sets``: how much of its chance each
    set of faults, by its number, adds.
    """

    fault: Scored | None
    probability: float
    unit: int | None = None
    others: tuple[Scored, ...] = ()
    path: Path | None = None
    best: float = -math.inf
    regions: frozenset[int] = frozenset()
    mask: int = 0
    sets: dict[int, float] = field(default_factory=dict)


@dataclass
class Place:
    """Alternatives of one another, the leader first, then by chance; their chances sum to at most 1."""

    items: list[Item] = field(default_factory=list)

    @property
    def leader(self) -> Item:
        """The likeliest fault of the likeliest part."""
        return self.items[0]


@dataclass(frozen=True)
class PartMarginal:
    """The chance that a part is bad, and if it is, its likeliest fault with that fault's share."""

    component: str
    bad: float
    fault: FaultName | None = None
    share: float | None = None


@dataclass(frozen=True)
class Posterior:
    """``states``: the sets, best first, with ``chances``; ``bad``: each unit's chance of being bad over all sets."""

    states: tuple[CardState, ...]
    chances: tuple[float, ...]
    bad: np.ndarray
    places: tuple[Place, ...]
    parts: tuple[PartMarginal, ...]
    nothing: float
    unexplained: int


def posterior(card: Card, states: Sequence[CardState]) -> Posterior:
    """Normalise, and sum over the sets."""
    total = log_sum([s.log_total for s in states])
    chances = [math.exp(s.log_total - total) for s in states]
    bad = np.zeros(len(card.units))
    nothing = 0.0
    for state, chance in zip(states, chances, strict=True):
        bad += chance * state.bad
        if not state.paths:
            nothing = chance * float(np.prod(1.0 - state.bad)) if len(state.bad) else chance
    items = [*_path_items(states, chances), *_leaf_items(card, states, chances)]
    places = places_of(items, bad)
    shared: dict[str, float] = {}
    told = np.zeros(len(card.units))  # of each chip, by itself or by what it does to other rows
    for state, chance in zip(states, chances, strict=True):
        names = {p.scored.candidate.component for p in state.paths if isinstance(p, PathFaultState)}
        for name in names:
            if name:
                shared[name] = shared.get(name, 0.0) + chance
        named = np.array([unit.name is not None and unit.name in names for unit in card.units], np.bool_)
        told += chance * np.where(named, 1.0, state.bad)
    parts = tuple(_parts(card, items, told, shared))
    return Posterior(
        tuple(states), tuple(chances), bad, tuple(places), parts, nothing, _unexplained(card, states[0])
    )


def _path_items(states: Sequence[CardState], chances: Sequence[float]) -> list[Item]:
    held: dict[tuple[object, ...], Item] = {}
    for number, (state, chance) in enumerate(zip(states, chances, strict=True)):
        for path in state.paths:
            fault = path.scored if isinstance(path, PathFaultState) else None
            key = fault.candidate.key if fault is not None else path.key
            item = held.setdefault(
                key, Item(None, 0.0, path=path, regions=frozenset(path.regions), mask=path.mask)
            )
            item.probability += chance
            item.sets[number] = item.sets.get(number, 0.0) + chance
            if state.log_total > item.best:
                item.best, item.fault, item.path = state.log_total, fault, path
    return list(held.values())


def _leaf_items(card: Card, states: Sequence[CardState], chances: Sequence[float]) -> list[Item]:
    found: list[Item] = []
    for u, unit in enumerate(card.units):
        held: dict[tuple[object, ...], Item] = {}
        for number, (state, chance) in enumerate(zip(states, chances, strict=True)):
            leaf = state.leaves[u]
            if chance < 1e-6 or not leaf.count.wrong:
                continue
            for way, share in _shares(leaf):
                main = way.faults[0]
                where = tuple(str(v) for v in main.detail.get("where_lines", ()))
                key = (main.candidate.key, where, len(way.faults) > 1)
                item = held.setdefault(key, Item(None, 0.0, unit=u, regions=frozenset((unit.region,)), mask=unit.mask))
                adds = chance * float(state.bad[u]) * share
                item.probability += adds
                item.sets[number] = item.sets.get(number, 0.0) + adds
                likely = state.log_total + way.log - leaf.log_bad  # the set counts all ways of the chip already
                if likely > item.best:
                    item.best, item.fault, item.others = likely, main, way.faults[1:]
        found += sorted(held.values(), key=lambda item: -item.probability)[:_OF_A_CHIP]
    return found


def _shares(leaf: Leaf) -> Iterator[tuple[LeafState, float]]:
    total = leaf.log_bad
    for state in leaf.states:
        share = math.exp(state.log - total)
        if share > 1e-6:
            yield state, share


def places_of(items: Sequence[Item], bad: np.ndarray) -> list[Place]:
    """Seeds: shared things and chips that are likelier bad than not; every other item joins one that it competes with.
    """
    items = _one_thing(items)
    by_unit: dict[int, list[Item]] = {}
    for item in items:
        if item.unit is not None:
            by_unit.setdefault(item.unit, []).append(item)
    ranked = sorted(items, key=lambda item: -item.probability)
    seeds: list[Place] = []
    for item in ranked:
        if item.unit is None and item.probability >= _SEED and not any(_either(item, p.items[0]) for p in seeds):
            seeds.append(Place([item]))
    for u, mine in by_unit.items():
        if bad[u] >= _SEED and mine:
            seeds.append(Place([max(mine, key=lambda item: item.probability)]))
    if not seeds and ranked:
        sums = {u: sum(item.probability for item in mine) for u, mine in by_unit.items()}
        first = max(ranked, key=lambda i: sums[i.unit] if i.unit is not None else i.probability)
        if first.unit is not None:
            first = max(by_unit[first.unit], key=lambda item: item.probability)
        if (sums[first.unit] if first.unit is not None else first.probability) >= _WEAK_SEED:
            seeds.append(Place([first]))
    homeless = []
    for item in ranked:
        if item.probability < _SHOWN or any(item is place.items[0] for place in seeds):
            continue
        home = _home(item, [p for p in seeds if not _goes_with(item, p.items[0])])
        if home is not None:
            home.items.append(item)
        else:
            homeless.append(item)
    more = _shared_out(homeless)
    told = {id(item) for place in more for item in place.items}
    for item in homeless:
        home = None if id(item) in told else _home(item, seeds)
        if home is not None and sum(i.probability for i in home.items) + item.probability <= 1.0:
            home.items.append(item)
    seeds += more
    for place in seeds:
        _settle(place)
    return sorted(seeds, key=lambda place: -_explains(place.leader))


def _either(item: Item, seed: Item) -> bool:
    """Whether one is as likely as the other and they are in no set together: one thing with two names, as where two
    parts show the same."""
    return not set(item.sets) & set(seed.sets) and item.probability + seed.probability <= 1.0 + _EVEN


def _one_thing(items: Sequence[Item]) -> list[Item]:
    """The items without what a chip does in its own row beside what it does to others, if both are its bad select: that
    is told with the latter."""
    of_chip = {
        (i.fault.candidate.component, i.fault.candidate.region): i
        for i in items
        if i.unit is None and i.fault is not None and i.fault.candidate.scope == "chip" and i.probability >= _SEED
    }
    found: list[Item] = []
    for item in sorted(items, key=lambda item: -item.probability) if of_chip else items:
        c = item.fault.candidate if item.fault is not None and item.unit is not None else None
        own = of_chip.get((c.component, c.region)) if c is not None else None
        if own is None or item.probability < _SEED or not _goes_with(item, own):
            found.append(item)
        elif item.fault is not None and not own.others:
            own.others = (item.fault, *item.others)
    return found


def _goes_with(item: Item, seed: Item) -> bool:
    """Whether most of an item's chance is beside the seed, and not in its place: it explains other reads."""
    if item.unit is not None and item.unit == seed.unit:
        return False
    both = sum(adds for number, adds in item.sets.items() if number in seed.sets)
    return both > _BESIDE * item.probability


def _shared_out(items: Sequence[Item]) -> list[Place]:
    """Places where something is wrong for sure, though no one thing is likelier than not: ties, mostly."""
    found: list[Place] = []
    left = sorted(items, key=lambda item: -item.probability)
    while left:
        first = left[0]
        rivals = [i for i in left if i is first or (i.regions & first.regions and i.mask & first.mask)]
        taken = {id(item) for item in rivals}
        left = [item for item in left if id(item) not in taken]
        if sum(item.probability for item in rivals) >= _SEED:
            found.append(Place(rivals))
    return found


def _home(item: Item, seeds: Sequence[Place]) -> Place | None:
    """The place of its own chip; else the seed whose reads it could have hurt, the likeliest of them."""
    own = [p for p in seeds if item.unit is not None and p.items[0].unit == item.unit]
    if own:
        return own[0]
    meets = [p for p in seeds if p.items[0].regions & item.regions and p.items[0].mask & item.mask]
    if item.unit is not None:
        meets = [p for p in meets if p.items[0].unit is None]
    return min(meets, key=lambda p: (p.items[0].probability, -_explains(p.items[0])), default=None)


def _settle(place: Place) -> None:
    """In front the likeliest fault of the likeliest part: a part whose many faults share its chance is not behind
    another part's only one; nor are a row and its chips, of which no read tells which it is, behind a cause that is not
    on the card and is no likelier than they are together, or hardly so: the board file speaks for them."""
    of_part: dict[tuple[object, ...], float] = {}
    for item in place.items:
        of_part[_part_of(item)] = of_part.get(_part_of(item), 0.0) + item.probability
    place.items.sort(key=lambda item: -item.probability)
    first = max(place.items, key=lambda item: of_part[_part_of(item)])
    if first.fault is None:
        alike: dict[tuple[int, int], list[Item]] = {}
        for item in place.items:
            if item.fault is not None:
                effect = item.fault.effect
                alike.setdefault((effect.hash_, effect.tally.explained), []).append(item)
        tied = max(alike.values(), key=lambda group: sum(i.probability for i in group), default=[])
        if sum(item.probability for item in tied) > _spoken_for(first, tied) * of_part[_part_of(first)]:
            first = max(tied, key=lambda item: item.probability)
    place.items.sort(key=lambda item: item is not first)
    total = sum(item.probability for item in place.items)
    if total > 1.0:
        for item in place.items:
            item.probability /= total


def _spoken_for(first: Item, tied: Sequence[Item]) -> float:
    """How likely, for a cause off the card, parts have to be that are told before it: less than it is only where both
    are one to every read, and it leaves a card to be judged."""
    fault = tied[0].fault if tied else None
    if fault is None or not isinstance(first.path, Innocent) or first.path.rival.stops_judging:
        return 1.0
    return TIED if first.path.rival.explains == fault.effect.tally.explained else 1.0


def _part_of(item: Item) -> tuple[object, ...]:
    """What one would replace or repair: a part, or a net."""
    if item.fault is None:
        return ("rival", *(item.path.key if item.path is not None else ()))
    c = item.fault.candidate
    if c.component is not None:
        return ("part", c.component)
    return ("net", c.scope, c.region, c.lanes, c.lines) if item.unit is None else ("unit", item.unit)


def _explains(item: Item) -> int:
    if item.fault is not None:
        return max(item.fault.covers, item.fault.effect.tally.hits)
    return item.path.hits if item.path is not None else 0


def _parts(
    card: Card, items: Sequence[Item], bad: np.ndarray, shared: Mapping[str, float]
) -> Iterator[PartMarginal]:
    board = card.study.evidence.board
    chance: dict[str, float] = {}
    faults: dict[str, dict[FaultName, float]] = {}
    for unit, value in zip(card.units, bad, strict=True):
        if unit.name:
            chance[unit.name] = max(chance.get(unit.name, 0.0), float(value))
    for name in (*(d.designator for d in board.decoders), *(b.designator for b in board.buffers)):
        chance[name] = max(chance.get(name, 0.0), shared.get(name, 0.0))
    for item in items:
        if item.fault is None or not item.fault.candidate.component:
            continue
        name = item.fault.candidate.component
        of_part = faults.setdefault(name, {})
        kind = item.fault.candidate.fault
        of_part[kind] = of_part.get(kind, 0.0) + item.probability
    for name, value in chance.items():
        kinds = faults.get(name, {})
        total = sum(kinds.values())
        if total > 0.0:
            kind, _ = max(kinds.items(), key=lambda held: held[1])
            yield PartMarginal(name, round(value, 6), kind, round(kinds[kind] / total, 6))
        else:
            yield PartMarginal(name, round(value, 6))


def _unexplained(card: Card, state: CardState) -> int:
    """Wrong reads that the likeliest set leaves: those of chips that are taken for sound."""
    rows = state.rows
    keep = np.full(len(card.study.card.regions) + 1, 0xFFFFFFFF, np.uint32)
    for unit, bad in zip(card.units, state.bad, strict=True):
        if bad >= _SEED:
            keep[unit.region] &= np.uint32(~unit.mask & 0xFFFFFFFF)
    return int(np.count_nonzero(rows.wrong & keep[rows.region]))
