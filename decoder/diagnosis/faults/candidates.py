"""Every fault that the board could have, kind by kind, and those that the conflicts propose."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from typing import assert_never, get_args

from busledger.decoder.diagnosis.faults import kinds_of_lanes as lanes
from busledger.decoder.diagnosis.faults import kinds_of_paths as paths
from busledger.decoder.diagnosis.faults.candidate import Candidate, priors
from busledger.decoder.diagnosis.faults.kinds import KINDS, ON_CARD
from busledger.decoder.diagnosis.faults.kinds_of_addresses import bridged_addresses, stuck_addresses
from busledger.decoder.diagnosis.faults.kinds_of_cells import coupled_cells, leaky, leaky_cells, stuck_cells
from busledger.decoder.diagnosis.replay import lanes_kernel as bent
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.findings import PartFaultName

__all__ = ["LEAF_SCOPES", "log_prior_never_written", "log_prior_of_shared", "propose", "total_weight", "unlisted"]

LEAF_SCOPES = ("chip", "cell")


def propose(card: CardView, wrong: Mapping[int, int], cells: Mapping[int, int]) -> list[Candidate]:
    """The faults on the path of a wrong bit.

    Parameters
    ----------
    wrong : region index → mask of lanes that read wrong at least once
    cells : cell → mask of its wrong lanes, the few cells worth asking about

    Every kind's prior is shared among all its members on the board, proposed or not.
    """
    found: list[Candidate] = []
    for members in (m for kind in get_args(PartFaultName) if KINDS[kind].replayed for m in _members(kind, card, cells)):
        listed = list(members)
        if not listed:
            continue
        share = _share(listed, card)
        found += [
            replace(c, prior=share)
            for c in listed
            if any(wrong.get(r, 0) & c.mask for r in c.regions) and not _hidden(c, card)
        ]
    return found


def _hidden(candidate: Candidate, card: CardView) -> bool:
    """Whether it asks what a cell held in a region where unwired address lines hide which cell is meant."""
    if candidate.cell is None and all(isinstance(v.behaviour, LaneFault) for v in candidate.variants):
        return False
    return any(len(card.regions[r].bits) < card.regions[r].span_bits for r in candidate.regions)


def unlisted(card: CardView) -> list[Candidate]:
    """Every chip and buffer as bad in a way not listed, with their priors; nothing of them can be replayed."""
    found = []
    for members in _members("unlisted", card, {}):
        listed = list(members)
        found += [replace(c, prior=_share(listed, card)) for c in listed]
    return found


def _share(listed: list[Candidate], card: CardView) -> float:
    """The prior of each of one kind's members in one scope."""
    first = listed[0]
    return KINDS[first.fault].weight(first.scope) / total_weight() / _count(listed, card)


@cache
def total_weight() -> float:
    """The sum of all weights of priors.toml."""
    return sum(kind.weight(scope) for kind in ON_CARD for scope in kind.scopes)


def log_prior_of_shared(prior: float) -> float:
    """Log of the chance that one listed fault of something shared is there, from its candidate's ``prior``."""
    leaf = sum(kind.weight(scope) for kind in ON_CARD for scope in kind.scopes if scope in LEAF_SCOPES)
    return math.log(float(priors()["path"]["faulty"]) * prior / (1.0 - leaf / total_weight()))


def log_prior_never_written(regions: int, *, one_chip: bool = False) -> float:
    """Log of the chance that one region of ``regions`` takes no write at all, for a fault: of its wiring, or of the
    ``one_chip`` that has all of its lanes (its share of priors.toml's ``[leaf]``)."""
    table = priors()
    prior = KINDS["write-lost"].weight("region") / total_weight() / max(1, regions)
    found = log_prior_of_shared(prior) + math.log(float(table["belief"]["hard"]))
    if not one_chip:
        return found
    bad, sound = (float(v) for v in table["leaf"]["bad_share"])
    of_chips = sum(kind.weight("chip") for kind in ON_CARD if "chip" in kind.scopes)
    share = float(table["leaf"]["share"]["listed"]) * KINDS["write-lost"].weight("chip") / of_chips
    chip = bad / (bad + sound) * share * float(table["belief"]["hard"])
    return math.log(math.exp(found) + chip)


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
            yield lanes.buffer_lanes(kind, card, lanes.floats(card))
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
            yield (paths.select_missing(card, r) for r in regions)
        case "select-extra":
            pairs = itertools.permutations(regions, 2)
            yield (paths.select_extra(a, b) for a, b in pairs if a.writable or b.writable)
        case "select-swapped":
            yield (paths.swapped(a, b) for a, b in itertools.combinations(regions, 2))
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
