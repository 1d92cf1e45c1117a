"""Every fault that the board could have, kind by kind, and those that the conflicts propose."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from functools import cache
from typing import assert_never, get_args

import numpy as np

from busledger.decoder.diagnosis.faults import kinds_of_lanes as lanes
from busledger.decoder.diagnosis.faults import kinds_of_paths as paths
from busledger.decoder.diagnosis.faults import kinds_of_selects as selects
from busledger.decoder.diagnosis.faults.candidate import Candidate, priors
from busledger.decoder.diagnosis.faults.kinds import KINDS, ON_CARD
from busledger.decoder.diagnosis.faults.kinds_of_addresses import bridged_addresses, joined_with_data, stuck_addresses
from busledger.decoder.diagnosis.faults.kinds_of_cells import coupled_cells, leaky, leaky_cells, stuck_cells
from busledger.decoder.diagnosis.replay import lanes_kernel as bent
from busledger.decoder.diagnosis.replay.parts_view import CardView, RegionView
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.findings import PartFaultName
from busledger.decoder.ledger import MOST_COUNTED

__all__ = [
    "LEAF_SCOPES",
    "Listed",
    "listed_faults",
    "log_prior_of_shared",
    "propose",
    "total_weight",
    "unlisted",
]

LEAF_SCOPES = ("chip", "cell")
_ROWS = 16  # rows of a card, past which chips are not asked whether they answer for others: a bound of work
_OF_PAIRS = ("select-extra", "select-swapped")  # faults of two regions


class Listed:
    """Every fault that a card's parts could have, cells left out: made once for a card, then chosen from.

    Every kind's prior is shared among all its members on the board, proposed or not. Faults of two regions, one pair
    each, are only made when they are asked for: a card of a thousand regions has a million of them.
    """

    def __init__(self, card: CardView) -> None:
        self._card = card
        self._shared: list[_Choice | PartFaultName] = []
        self._of_chip: dict[tuple[int | None, str | None], list[Candidate]] = {}
        for kind in (kind for kind in get_args(PartFaultName) if KINDS[kind].replayed):
            if kind in _OF_PAIRS:
                self._shared.append(kind)
                continue
            for members in _members(kind, card, {}):
                listed = [c for c in _priced(list(members), card) if not _hidden(c, card)]
                if listed and listed[0].scope in LEAF_SCOPES:
                    for c in listed:
                        self._of_chip.setdefault((c.region, c.component), []).append(c)
                elif listed:
                    self._shared.append(_Choice(listed, len(card.regions)))
        for of_pins in (own_selects(card), _data_lines_joined(card)):
            if seen := [c for c in of_pins if not _hidden(c, card)]:
                self._shared.append(_Choice(seen, len(card.regions)))

    def shared(self, wrong: Mapping[int, int], pairs: Sequence[tuple[int, int]] | None = None) -> list[Candidate]:
        """Faults of what chips share, on the path of a wrong bit.

        ``wrong``: region index → mask of lanes that read wrong at least once; ``pairs``: of the faults of two regions
        only those of these (the one that answers, the one that is asked); None = of all.
        """
        found: list[Candidate] = []
        for one in self._shared:
            if isinstance(one, _Choice):
                found += one.hurting(wrong)
            else:
                found += _of_pairs(one, self._card, wrong, pairs)
        return found

    def of_chip(self, region: int, designator: str | None) -> Sequence[Candidate]:
        """Faults of one chip, of any of its lanes, whatever was read."""
        return self._of_chip.get((region, designator), ())


def listed_faults(card: CardView) -> Listed:
    """Those of this card, made once."""
    found: Listed = card.memo.setdefault("faults", None) or Listed(card)
    card.memo["faults"] = found
    return found


class _Choice:
    """Some candidates, and which of them a wrong bit may come from."""

    def __init__(self, members: Sequence[Candidate], regions: int) -> None:
        self._members = members
        shows = [c.reach or c.regions for c in members]
        self._regions = np.full((len(members), max(map(len, shows), default=0)), regions, np.int64)
        for row, of_member in zip(self._regions, shows, strict=True):
            row[: len(of_member)] = of_member
        self._masks = np.array([c.mask & c.lanes for c in members], np.uint32)
        self._count = regions

    def hurting(self, wrong: Mapping[int, int]) -> list[Candidate]:
        lanes = np.zeros(self._count + 1, np.uint32)
        for region, mask in wrong.items():
            lanes[region] = mask
        reached = np.bitwise_or.reduce(lanes[self._regions], axis=1) & self._masks
        return [self._members[k] for k in np.flatnonzero(reached).tolist()]


def own_selects(card: CardView) -> list[Candidate]:
    """Every chip as one whose own select is held or floats, so that it answers for the other rows on its data lines."""
    regions = [card.regions[i] for i in card.compared if card.regions[i].named_chips]
    if len(regions) > _ROWS:
        return []
    prior = _of_bad_chips("own_select")
    found = []
    for region in regions:
        for chip in region.chips:
            others = tuple(
                r.index
                for r in regions
                if r.index != region.index
                and r.mask & chip.mask
                and card.card_of[r.index] == card.card_of[region.index]
                and (r.select is None or r.select != region.select)
            )
            if others and any(card.regions[i].writable for i in (region.index, *others)):
                found.append(selects.own_select(card, region, chip, others).priced(prior))
    return found


def _data_lines_joined(card: CardView) -> list[Candidate]:
    prior = _of_bad_chips("data_with_address")
    return [c.priced(prior) for c in joined_with_data(card)]


def _of_bad_chips(name: str) -> float:
    """The prior, as that of what chips share, of something that so many of the bad chips have (``[leaf]``)."""
    bad, sound = (float(v) for v in priors()["leaf"]["bad_share"])
    return bad / (bad + sound) * float(priors()["leaf"][name]) / math.exp(_log_shared())


def propose(card: CardView, wrong: Mapping[int, int], cells: Mapping[int, int]) -> list[Candidate]:
    """The faults on the path of a wrong bit.

    Parameters
    ----------
    wrong : region index → mask of lanes that read wrong at least once
    cells : cell → mask of its wrong lanes, the few cells worth asking about

    Every kind's prior is shared among all its members on the board, proposed or not.
    """
    found: list[Candidate] = []
    for kind in (kind for kind in get_args(PartFaultName) if KINDS[kind].replayed):
        if kind in _OF_PAIRS:
            found += _of_pairs(kind, card, wrong, None)
            continue
        for members in _members(kind, card, cells):
            found += [
                c
                for c in _priced(list(members), card)
                if any(wrong.get(r, 0) & c.mask for r in c.regions) and not _hidden(c, card)
            ]
    return found


def _priced(listed: list[Candidate], card: CardView) -> list[Candidate]:
    if not listed:
        return []
    share = _share(listed, card)
    if (listed[0].fault, listed[0].scope) == ("address-bridged", "board"):
        return _by_their_pins(listed, card, share)
    return [c.priced(share * _at_the_edge(c, card) * _by_a_decoder(c)) for c in listed]


def _by_their_pins(listed: Sequence[Candidate], card: CardView, share: float) -> list[Candidate]:
    """Two lines of the card are likelier joined where their pins are neighbours: the kind's prior is shared out so."""
    joined = float(priors()["pins_apart"]["joined"])
    apart = [card.side_by_side(c.lines, c.regions, c.component) == () for c in listed]
    parts = [joined if is_apart else 1.0 for is_apart in apart]
    mean = sum(parts) / len(parts)
    return [c.priced(share * part / mean) for c, part in zip(listed, parts, strict=True)]


def _by_a_decoder(candidate: Candidate) -> float:
    """How likely a select is to be gone beside what its weight says, which holds for one that a decoder makes."""
    if candidate.fault != "select-missing" or candidate.component is not None:
        return 1.0
    return float(priors()["beyond_edge"]["no_decoder"])


def _at_the_edge(candidate: Candidate, card: CardView) -> float:
    """How likely a lane of the bus is beside what its weight says: that is of a card with drivers, of one whose chips
    are on the bus itself a lane is a track and no contact between two parts."""
    if candidate.scope != "bus" or any(candidate.mask & buffer.mask for buffer in card.buffers):
        return 1.0
    return float(priors()["beyond_edge"]["no_driver"])


def _of_pairs(
    kind: PartFaultName, card: CardView, wrong: Mapping[int, int], pairs: Sequence[tuple[int, int]] | None
) -> Iterator[Candidate]:
    """Faults of two regions; ``pairs`` as in ``Listed.shared``."""
    regions = [card.regions[i] for i in card.compared]
    n, fixed = len(regions), sum(not r.writable for r in regions)
    ordered = kind == "select-extra"
    if ordered:
        yield from _always_active(card, wrong, pairs)
    count = n * (n - 1) - fixed * (fixed - 1) if ordered else n * (n - 1) // 2
    if not count:
        return
    share = KINDS[kind].weight("decoder") * _single(kind) / total_weight() / count
    if pairs is None:
        able = [r for r in regions if wrong.get(r.index)]
        both = itertools.permutations(regions, 2) if ordered else itertools.combinations(regions, 2)
        of_two = [(a, b) for a, b in both if wrong.get(a.index) or wrong.get(b.index)] if able else []
    else:
        chosen = {(a, b) if ordered else (min(a, b), max(a, b)) for a, b in pairs}
        of_two = [(card.regions[a], card.regions[b]) for a, b in sorted(chosen)]
    for a, b in of_two:
        if ordered and not (a.writable or b.writable):
            continue
        if a.select is not None and a.select == b.select:
            continue  # two parts of what one select is for
        if not ordered and not (_stated(a) or _stated(b)):
            continue  # of memory that traffic alone shows nobody said which is which
        mask = a.mask & b.mask
        if not (wrong.get(a.index, 0) | wrong.get(b.index, 0)) & mask:
            continue
        c = (selects.select_extra(a, b) if ordered else selects.swapped(a, b)).priced(share)
        if not _hidden(c, card):
            yield c


def _always_active(
    card: CardView, wrong: Mapping[int, int], pairs: Sequence[tuple[int, int]] | None
) -> Iterator[Candidate]:
    """A select that comes for all other regions, of ``pairs`` those that come for two at least."""
    answers = [a for a, _ in pairs or ()]
    able = card.compared if pairs is None else sorted(r for r in set(answers) if answers.count(r) > 1)
    for region in able if any(wrong.values()) else ():
        c = selects.always_active(card, card.regions[region])
        if c is not None and any(wrong.get(r, 0) & c.mask for r in c.regions) and not _hidden(c, card):
            weight = KINDS[c.fault].weight(c.scope) * _at_once(c.fault)
            yield c.priced(weight / total_weight() / len(card.compared))


def _stated(region: RegionView) -> bool:
    """Whether anything says that it is this memory that should be there: its chips, its select, its contents."""
    return region.named_chips or region.select is not None or region.decoder is not None or not region.writable


def _hidden(candidate: Candidate, card: CardView) -> bool:
    """Whether it asks what a cell held in a region where unwired address lines hide which cell is meant, so many that
    nothing tells it (``ledger.counted``)."""
    hiding = card.memo.get("hiding")
    if hiding is None:  # most cards have none
        hiding = {i for i, region in enumerate(card.regions) if region.span_bits - len(region.bits) > MOST_COUNTED}
        card.memo["hiding"] = hiding
    if not hiding or (candidate.cell is None and all(isinstance(v.behaviour, LaneFault) for v in candidate.variants)):
        return False
    return not hiding.isdisjoint(candidate.regions)


def unlisted(card: CardView) -> list[Candidate]:
    """Every chip and buffer as bad in a way not listed, with their priors; nothing of them can be replayed."""
    return [c for members in _members("unlisted", card, {}) for c in _priced(list(members), card)]


def _share(listed: list[Candidate], card: CardView) -> float:
    """The prior of each of one kind's members in one scope."""
    first = listed[0]
    weight = KINDS[first.fault].weight(first.scope)
    if first.scope == "decoder":
        weight *= _at_once(first.fault) if _is_of_several(first, card) else _single(first.fault)
    return weight / total_weight() / _count(listed, card)


def _is_of_several(candidate: Candidate, card: CardView) -> bool:
    """Whether a missing select is one of several that go at once, or is lost before the part that makes it."""
    return candidate.region is None or candidate.component != card.regions[candidate.region].decoder


def _at_once(kind: str) -> float:
    """The share that faults of several selects, or of one that comes for several regions, have of the kind."""
    return float(priors()["several_selects"].get(kind, 0.0))


def _single(kind: str) -> float:
    """The share of faults of one. On a card that can have none of the others theirs stays unused: one of one select is
    no likelier for that."""
    return 1.0 - _at_once(kind)


@cache
def total_weight() -> float:
    """The sum of all weights of priors.toml."""
    return sum(kind.weight(scope) for kind in ON_CARD for scope in kind.scopes)


def log_prior_of_shared(prior: float) -> float:
    """Log of the chance that one listed fault of something shared is there, from its candidate's ``prior``."""
    return math.log(prior) + _log_shared()


@cache
def _log_shared() -> float:
    leaf = sum(kind.weight(scope) for kind in ON_CARD for scope in kind.scopes if scope in LEAF_SCOPES)
    return math.log(float(priors()["path"]["faulty"]) / (1.0 - leaf / total_weight()))


def _count(listed: list[Candidate], card: CardView) -> float:
    first = listed[0]
    if first.scope != "cell":
        return float(len(listed))
    # Only failing cells are listed; the prior is shared among every cell of the board.
    return float(sum(len(r.chips) << len(r.bits) for r in card.regions if r.compared) or 1)


def _members(kind: PartFaultName, card: CardView, cells: Mapping[int, int]) -> Iterator[Iterator[Candidate]]:
    """All members of a kind on this board, one iterator a scope."""
    regions = [card.regions[i] for i in card.compared]
    ram = [r for r in regions if r.writable]
    match kind:
        case "stuck-low" | "stuck-high":
            level = bent.LOW if kind == "stuck-low" else bent.HIGH
            yield stuck_cells(kind, level, cells, card)
            yield lanes.chip_lanes(kind, regions, ((1.0, level, ""),))
            yield lanes.buffer_lanes(kind, card, ((1.0, level, ""),))
            yield lanes.bus_lanes(kind, card, level)
        case "floating":
            yield lanes.chip_lanes(kind, regions, lanes.floats(card))
            yield lanes.buffer_lanes(kind, card, lanes.floats(card, driver=True))
        case "bridged":
            yield lanes.bridges_of_chips(regions)
            yield lanes.bridges_of_buffers(card)
            yield lanes.bridges_of_bus(card)
        case "write-lost":
            yield (paths.write_lost(r, chip) for r in ram for chip in r.chips)
            yield (paths.write_lost(r, None) for r in ram)
            yield paths.write_lost_board(card, ram)
        case "dead":
            yield (paths.dead(card, r, chip) for r in regions for chip in r.chips)
        case "address-stuck":
            yield from stuck_addresses(card, regions)
        case "address-bridged":
            yield from bridged_addresses(card, regions)
        case "select-missing":
            yield (selects.select_missing(card, r) for r in regions)
            yield selects.several_missing(card)
        case "select-extra" | "select-swapped":
            return  # see _of_pairs and _always_active
        case "direction-stuck":
            yield paths.directions(card)
        case "coupled":
            yield coupled_cells(cells, card)
        case "leaky":
            yield (leaky(r, chip.designator, chip.mask, None) for r in ram for chip in r.chips)
            yield leaky_cells(cells, card)
        case "slow":
            yield (paths.slow(card, r, chip) for r in regions for chip in r.chips)
            yield (paths.slow(card, r, None) for r in regions)
        case "no-answer":
            yield (paths.no_answer(card, r) for r in regions)
        case "unlisted":
            yield paths.unlisted_chips(regions)
            yield paths.unlisted_buffers(card)
        case _:
            assert_never(kind)
