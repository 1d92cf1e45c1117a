"""Which sets of shared faults are worth weighing: none, one, two, three where two leave much.

Every set must beat what the chips explain by themselves, with the chips free to fail. For each shared fault the most
that it could gain is known before the chips are weighed again (its own weight, and all that the chips it touches lose
by their wrong reads), so that few need to be.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Collection, Iterable, Sequence

import numpy as np

from busledger.decoder.diagnosis.as_chips import as_chips_show
from busledger.decoder.diagnosis.behind_nobody import behind_nobody
from busledger.decoder.diagnosis.behind_shorts import behind_shorts
from busledger.decoder.diagnosis.card import Card, CardState
from busledger.decoder.diagnosis.out_of_view import beside, blind_to
from busledger.decoder.diagnosis.overlay import hides
from busledger.decoder.diagnosis.path import (
    Innocent,
    Path,
    PathFaultState,
    is_last_resort,
    pull_apart,
    told_twice,
)
from busledger.decoder.diagnosis.paths import (
    one_of,
    other_names,
    propose_paths,
    regions_told,
    replayed_alone,
)
from busledger.decoder.diagnosis.reviewing import (
    beside_lanes,
    beside_the_bad,
    beside_what_is_known,
    in_full_view,
    rebuilt,
)
from busledger.decoder.diagnosis.worth import in_turn, prospect, with_one_more, worth_trying
from busledger.decoder.progress import Progress, silent

__all__ = ["search"]

# Judged: bounds of work; how far an estimate is trusted stands in worth.py. All of them doubled at once, and halved at
# once, on six cards of the outside world (many, double and single-intermittent, seeds 85000 and 85001,
# ``tests.outside.sensitivity``): the same parts named, no part's chance moved by more than 0.013; _FAR and _NAMES are
# younger.
_INNOCENT, _NEARLY_ALL = 4, 0.9  # causes off the card, the likeliest first, and the share that they must explain
_AT_MOST = 3  # shared faults of one card
_BELOW_BEST = 9.0  # nats; a set whose most is further below the best is not weighed
_TRIED = (16, 10, 6)  # sets weighed at each size
# Chips weighed again (see Card.work) after which no more sets of one, two, three faults are weighed; the last one holds
# for the search as a whole.
_WORK = (45.0, 70.0, 85.0, 125.0)
_AT_LEAST = 2  # sets tried of each that is grown further, whatever has been spent: cards of many chips take much
_NAMES = 3  # names of one thing, for each set that is tried
_TRIED_AGAIN = 5  # of each set that some faults were taken back from
_FOLLOWED = (2, 1)  # sets grown further
_RENAMED, _NEAR = 3, 5.0  # best sets whose faults are told of other parts, and nats that they lie below the best
_FAR = 80.0  # nats below a set that leaves nothing to explain, by the estimate, that leave another one no part
_PLAIN_LANES = 2  # shared lanes tried first where chips on them are plainly bad


def search(card: Card, extra: Sequence[Path] = (), progress: Progress = silent) -> list[CardState]:
    """All sets weighed, best first. ``extra``: causes outside the card (clips, the machine) that compete."""
    states = [card.weigh(())]
    plain, alone = _plain_lanes(card, states[0])
    front = list(states)
    states += plain
    # Causes off the card that leave next to nothing are weighed whatever the estimate says: that costs next to nothing.
    least = _NEARLY_ALL * int((states[0].rows.wrong != 0).sum())
    states += [card.weigh((path,)) for path in extra[:_INNOCENT] if path.hits >= max(1.0, least)]
    for size in range(_AT_MOST):
        grown: list[CardState] = []
        best = _best(states)
        for state in front:
            if state.rows.wrong.any():
                grown += _extended(card, state, extra, best, _TRIED[size], states, _WORK[size], alone)
        progress("weighing suspects", len(states) + len(grown), None, "sets of faults")
        states += grown
        if size >= len(_FOLLOWED):
            break
        grown.sort(key=lambda s: -s.log_total)
        unlike, top = _unlike(grown), max(state.log_total for state in states)
        listed = [s for s in unlike if not _last_resort(s)]
        front = [s for s in unlike[: _FOLLOWED[size]] if s.log_total > top - _BELOW_BEST]
        more = _promising(listed, max(best, _best(states)))
        more += [s for s in listed[: _FOLLOWED[size]] if s.log_total > best - _BELOW_BEST]
        front += [s for s in dict.fromkeys(more) if s not in front]
        front = [s for s in front if s.rows.wrong.any()][: _FOLLOWED[size] + 1]
        if size == 0:
            front += [s for s in plain if s not in front and s.log_total > states[0].log_total - _BELOW_BEST]
        if not front:
            break
    states = in_full_view(card, states, _WORK[-1])
    states += behind_shorts(card, max(states, key=lambda s: s.log_total), _WORK[-1])
    states += behind_nobody(card, states, _WORK[-1])
    states += beside_the_bad(card, states, _WORK[-1])
    states += beside_lanes(card, states, _WORK[-1])
    states += (found := beside_what_is_known(card, states, _WORK[-1]))
    first = max(states, key=lambda s: s.log_total)
    if first in found and len(first.paths) < _AT_MOST and first.rows.wrong.any():
        states += _extended(card, first, extra, first.log_total, _TRIED_AGAIN, states, _WORK[-1])
    states += _again(card, states, extra)
    states += _by_other_names(card, states)
    return _each_once(sorted(states, key=lambda s: -s.log_total))


def _each_once(states: Sequence[CardState]) -> list[CardState]:
    """The best of each set: the same faults found in another order, or judged with other chips in view, are taken for
    no other way in which the card may be bad. Where these chips differ that drops the less likely of two."""
    found: dict[frozenset[object], CardState] = {}
    for state in states:
        found.setdefault(frozenset(one_of(path) for path in state.paths), state)
    return list(found.values())


def _last_resort(state: CardState) -> bool:
    """Whether a driver that is bad in no listed way is in the set: it takes whatever came wrong through it, which is no
    measure of what a set of listed faults has to come near to, one by one."""
    return any(map(is_last_resort, state.paths))


def _unlike(states: Iterable[CardState]) -> list[CardState]:
    """The first of each that leave the same reads to be explained: what is grown from one is grown from all of them."""
    found: dict[bytes, CardState] = {}
    for state in states:
        rows = state.rows
        told = hashlib.blake2b(digest_size=16)
        for column in (rows.index, rows.cell, rows.compared, rows.wrong):
            told.update(np.ascontiguousarray(column).data)
        found.setdefault(told.digest(), state)
    return list(found.values())


def _promising(grown: Sequence[CardState], best: float) -> list[CardState]:
    """The set that could come furthest if one more shared fault explained what it leaves, if that is past the best:
    what several chips at once would have to share is dear until the fault is found that they do share."""
    hopes = [(prospect(state), number) for number, state in enumerate(grown)]
    hope, number = max(hopes, default=(-math.inf, 0))
    return [grown[number]] if hope > best else []


def _best(states: Sequence[CardState]) -> float:
    return max(state.log_total for state in states if not _last_resort(state))


def _plain_lanes(card: Card, base: CardState) -> tuple[list[CardState], list[PathFaultState] | None]:
    """Shared lanes that always fail, where at least two chips of one lane are plainly bad; and the faults that were
    replayed for it, None where there was no need.

    Whatever else is wrong shows better through them: chips that are all plainly bad stand in the way of wider faults.
    """
    blind = blind_to(card, base)
    if blind is None:
        return [], None
    common = [lane for lane in range(32) if sum(mask >> lane & 1 for mask in blind.lanes.values()) > 1]
    found: list[CardState] = []
    alone = replayed_alone(card.study, base.rows) if common else None
    proposed = propose_paths(card.study, base.rows, (), None, alone=alone) if common else []
    for lane in common[:_PLAIN_LANES]:
        able = [
            path
            for path in proposed
            if path.mask == 1 << lane and path.scored.hard and path.scored.effect.tally.hits and hides(path.scored)
        ]
        if able:
            found.append(card.weigh((max(able, key=lambda path: path.log_weight),)))
    return found, alone


def _again(card: Card, states: Sequence[CardState], extra: Sequence[Path]) -> list[CardState]:
    """Some of the best set's faults taken back, and what is left weighed with others in their place.

    What was found first was found beside all that was still unknown: two faults of two regions may be one of the card.
    """
    best = max(states, key=lambda s: s.log_total)
    found: list[CardState] = []
    for size in range(len(best.paths) - 1, 0, -1):
        for kept in itertools.combinations(best.paths, size):
            if any(len(s.paths) == size + 1 and s.paths[:size] == kept for s in states):
                continue  # it was grown on the way
            if card.work > _WORK[-1]:
                return found
            left = rebuilt(card, kept, anew=True)
            if left is None:
                continue
            found.append(left)
            found += _extended(card, left, extra, best.log_total, _TRIED_AGAIN, [*states, *found],
                               _WORK[-1])  # fmt: skip
    return found


def _by_other_names(card: Card, states: Sequence[CardState]) -> list[CardState]:
    """The best sets of several faults with each fault as one of another part that shows the same: of names of one
    thing a set was grown from the first."""
    found: list[CardState] = []
    top = max(state.log_total for state in states)
    best = sorted((s for s in states if len(s.paths) > 1 and s.log_total > top - _NEAR), key=lambda s: -s.log_total)
    for state in best[:_RENAMED]:
        for number, path in enumerate(state.paths):
            if not isinstance(path, PathFaultState) or is_last_resort(path) or card.work > _WORK[-1]:
                continue
            before, after = state.paths[:number], state.paths[number + 1 :]
            told = {one.key[:-1] for one in after}
            for other in other_names(path, card.study, card.weigh(before).rows, before):
                # What stands after it was judged beside the other name, and may be a part's second fault no more.
                again = None if other.key[:-1] in told else rebuilt(card, (*before, other, *after))
                if again is not None:
                    found.append(again)
    return found


def _extended(
    card: Card, state: CardState, extra: Sequence[Path], best: float, tried: int, done: Sequence[CardState],
    most_work: float, alone: Sequence[PathFaultState] | None = None,
) -> list[CardState]:  # fmt: skip
    mine = None if state.paths else alone
    proposed: list[Path] = list(
        propose_paths(card.study, state.rows, state.paths, blind_to(card, state), beside(card, state), alone=mine)
    )
    proposed = as_chips_show(card, state, proposed)
    held = {path.key for path in state.paths}
    told = regions_told(state.paths)
    signs = card.study.evidence.signs
    lines = signs.address_lines.values() if signs is not None else ()
    cannot = (pull_apart, told_twice)
    proposed = [p for p in proposed if not any(both(p, before) for before in state.paths for both in cannot)]
    proposed += [path for path in extra if path.key not in held and not _is_select_of(path, told, lines)]
    found: list[CardState] = []
    seen = {_told(s.paths) for s in done}
    complete = [s for s in done if not s.rows.wrong.any() and not _last_resort(s)]  # leaving nothing to explain
    whole = max((s.log_total for s in complete), default=-math.inf)
    number, alike = 0, -math.inf
    for gain, path in in_turn(state, worth_trying(card, state, proposed, best, _AT_MOST), _AT_MOST)[: _NAMES * tried]:
        # Names of one thing, such as address lines of which any would lead out of all regions, take one place.
        number += round(gain, 3) != alike
        alike = round(gain, 3)
        if number > tried or (card.work > most_work and number > _AT_LEAST):
            break
        if state.log_total + max(gain, with_one_more(state, path, gain, _AT_MOST)) < whole - _FAR:
            continue
        if _told((*state.paths, path)) in seen:
            continue
        now = card.weigh((*state.paths, path))
        if now.log_total > -math.inf:
            found.append(now)
            if not now.rows.wrong.any() and not _last_resort(now):
                whole = max(whole, now.log_total)
    return found


def _told(paths: Iterable[Path]) -> frozenset[tuple[object, ...]]:
    """What makes two sets one, in whatever order they were found: where faults act in the same cells, what each shows
    is another matter after the others, and so is what they come to together."""
    return frozenset((path.key, round(path.log_weight, 1)) for path in paths)


def _is_select_of(path: Path, told: Collection[int], address_lines: Collection[str]) -> bool:
    """Whether it is a clip for which selects speak that a set has explained already: that of a region, or of an address
    line, which is held against what decoders made of it."""
    if not told or not isinstance(path, Innocent) or path.rival.scope != "clip":
        return False
    return path.rival.region in told or bool(path.rival.lines and set(path.rival.lines) <= set(address_lines))


