"""Chips that are not looked at while shared faults are proposed: what they do of themselves would hide those.

Plainly bad ones, by a fault of their lanes; those that are bad beyond doubt, however; those that stand out by how often
they fail.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.leaf import Leaf
from busledger.decoder.diagnosis.overlay import Aside, Blind
from busledger.decoder.diagnosis.own_doing import OwnDoing, is_steady
from busledger.decoder.diagnosis.path import lanes_at_times
from busledger.decoder.diagnosis.paths import Beside, kind_of

__all__ = ["PARTED_ROWS", "bad_units", "beside", "blind_to"]

# Judged; with those of search.py doubled and halved at once.
_LEFT_OPEN = 30.0  # nats that a plain fault may leave of a chip's reads
_PLAIN = 0.9  # chance of being bad past which a chip is left out when wider faults are judged
_SURE = 300.0  # nats past which a chip is bad whatever it shares with others, though its fault is not plain
# Judged: nats that a chip says at the least, how many times as often as the next it fails, and how many such steps are
# tried.
_LOUD, _STANDS_OUT, _PARTINGS = 60.0, 2.0, 2
PARTED_ROWS = 500_000  # a bound of work: each way to part them plays all shared faults again
_SHAREABLE = ("bridged", "address-stuck", "address-bridged")  # what a chip may show for what a lane or a line does
_PLAIN_KINDS = frozenset({"stuck-low", "stuck-high", "floating", "dead", "bridged"})


def blind_to(card: Card, state: CardState) -> Blind | None:
    """Chips that are plainly bad: by a fault of their lanes, at most of their reads; and single lanes of other chips
    that are bad in every read, whatever else these chips do."""
    bad = bad_units(card, state)
    found = {u: _plain_lanes(state.leaves[u]) for u in bad if _is_plain(state.leaves[u])}
    found |= {u: lanes for u in bad if u not in found and (lanes := _steady(state.leaves[u]))}
    return _without(card, found)


def _plain_lanes(leaf: Leaf) -> int:
    """The lanes of a plainly bad chip that are: the others are held against what the chips share. That they came right
    in each read that went wrong elsewhere is what tells a chip beside it from the whole row."""
    lanes = 0
    for scored in leaf.best.faults:
        lanes |= scored.candidate.mask & leaf.unit.mask
    return lanes


def _steady(leaf: Leaf) -> int:
    """Lanes of a chip with others that never show but one level, wherever in the chip."""
    lanes = 0
    for scored in leaf.best.faults:
        mask = scored.candidate.mask
        if mask.bit_count() == 1 and mask != leaf.unit.mask and is_steady(scored):
            lanes |= 0 if scored.detail.get("where_lines") else mask
    return lanes


def beside(card: Card, state: CardState) -> list[Beside]:
    """Chips that are plainly bad or bad beyond any doubt; all of them, and all but those that show above all one
    and the same fault that chips may share. And what chips that stand out explain by themselves."""
    sure = [u for u in bad_units(card, state) if _is_plain(leaf := state.leaves[u]) or _is_sure(leaf)]
    shown: dict[tuple[object, ...], list[int]] = {}
    for u in sure:
        seems = state.leaves[u].best.faults[0].candidate
        if seems.fault in _SHAREABLE:
            shown.setdefault(kind_of(seems), []).append(u)
    found = []
    for kind, alike in [(None, ()), *shown.items()]:
        blind = _without(card, {u: _lanes_of(state.leaves[u]) for u in sure if u not in alike})
        if blind is not None:
            found.append(Beside(blind, kind))
    if lanes := lanes_at_times(state.paths):
        found.append(Beside(Aside(lanes, len(card.study.card.regions)), wide=True))
    leaves = state.leaves
    found += [
        Beside(OwnDoing(card.study, state.rows, {u: leaves[u] for u in held}), kind)
        for kind, held in _unlike(card, state)
    ]
    return found + [
        Beside(OwnDoing(card.study, state.rows, {u: leaves[u] for u in held}), some=True)
        for held in _standing_out(card, state)
    ]


def _unlike(card: Card, state: CardState) -> Iterator[tuple[tuple[object, ...], list[int]]]:
    """What several bad chips show that chips may share, and the bad chips that show something else: of these the reads
    that they do not explain by themselves may be what the others show."""
    if len(state.rows) > PARTED_ROWS:
        return
    bad = bad_units(card, state)
    kinds = {u: kind_of(state.leaves[u].best.faults[0].candidate) for u in bad}
    for kind in dict.fromkeys(kinds.values()):
        others = [u for u in bad if kinds[u] != kind]
        if kind[0] in _SHAREABLE and others and len(bad) - len(others) > 1:
            yield kind, others


def _standing_out(card: Card, state: CardState) -> list[list[int]]:
    """Bad chips that read wrong much more often than the next one of all bad chips; at most two ways to part them."""
    if len(state.rows) > PARTED_ROWS:
        return []
    rate = {u: _rate_of(state.leaves[u]) for u in bad_units(card, state)}
    bad = sorted(rate, key=lambda u: -rate[u])
    steps = [(rate[bad[k - 1]] / rate[bad[k]], k) for k in range(1, len(bad)) if state.gains[bad[k - 1]] > _LOUD]
    steps = sorted((step for step in steps if step[0] > _STANDS_OUT), reverse=True)[:_PARTINGS]
    return [bad[:k] for _, k in steps]


def _rate_of(leaf: Leaf) -> float:
    return leaf.count.wrong / leaf.count.reads


def bad_units(card: Card, state: CardState) -> list[int]:
    """Indexes of the chips that read wrong and are bad beside the shared faults of the set."""
    return [u for u in range(len(card.units)) if state.bad[u] >= _PLAIN and state.leaves[u].count.wrong]


def _is_plain(leaf: Leaf) -> bool:
    best = leaf.best
    tally = best.faults[0].effect.tally
    plain = best.faults[0].candidate.fault in _PLAIN_KINDS and tally.hits > tally.misses
    return plain and best.log_like > -_LEFT_OPEN - 2.0 * math.sqrt(leaf.count.wrong)


def _lanes_of(leaf: Leaf) -> int:
    return _plain_lanes(leaf) if _is_plain(leaf) else leaf.unit.mask


def _is_sure(leaf: Leaf) -> bool:
    return leaf.log_bad - leaf.log_sound > _SURE + 2.0 * leaf.count.event_count


def _without(card: Card, masks: Mapping[int, int]) -> Blind | None:
    """``masks``: of each unit that is not looked at, its lanes."""
    lanes: dict[int, int] = {}
    for u, mask in masks.items():
        lanes[card.units[u].region] = lanes.get(card.units[u].region, 0) | mask
    return Blind(lanes, len(card.study.card.regions)) if lanes else None
