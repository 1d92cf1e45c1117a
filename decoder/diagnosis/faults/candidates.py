"""Every fault that the board could have, kind by kind, and those that the conflicts propose."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache

from busledger.decoder.diagnosis.faults import kinds_of_lanes as lanes
from busledger.decoder.diagnosis.faults import kinds_of_paths as paths
from busledger.decoder.diagnosis.faults.candidate import Candidate, priors
from busledger.decoder.diagnosis.faults.kinds_of_addresses import addresses
from busledger.decoder.diagnosis.faults.kinds_of_cells import coupled_cells, leaky, leaky_cells, stuck_cells
from busledger.decoder.diagnosis.replay import lanes_kernel as bent
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.theory import LaneFault

__all__ = ["propose"]


def propose(card: CardView, wrong: Mapping[int, int], cells: Mapping[int, int]) -> list[Candidate]:
    """The faults on the path of a wrong bit.

    Parameters
    ----------
    wrong : region index → mask of lanes that read wrong at least once
    cells : cell → mask of its wrong lanes, the few cells worth asking about

    Every kind's prior is shared among all its members on the board, proposed or not.
    """
    found: list[Candidate] = []
    for members in _kinds(card, cells):
        listed = list(members)
        if not listed:
            continue
        weight = float(priors()["weight"][listed[0].fault][listed[0].scope])
        share = weight / _total_weight() / _count(listed, card)
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


@cache
def _total_weight() -> float:
    return float(sum(sum(scopes.values()) for scopes in priors()["weight"].values()))


def _count(listed: list[Candidate], card: CardView) -> float:
    first = listed[0]
    if first.scope != "cell":
        return float(len(listed))
    # Only failing cells are listed; the prior is shared among every cell of the board.
    return float(sum(len(r.chips) << len(r.bits) for r in card.regions if r.compared) or 1)


def _kinds(card: CardView, cells: Mapping[int, int]) -> Iterator[Iterator[Candidate]]:
    """One iterator a kind and scope: all its members on this board."""
    regions = [card.regions[i] for i in card.compared]
    ram = [r for r in regions if r.writable]
    for level, fault in ((bent.LOW, "stuck-low"), (bent.HIGH, "stuck-high")):
        yield stuck_cells(fault, level, cells, card)
        yield lanes.chip_lanes(fault, regions, ((1.0, level, ""),))
        yield lanes.buffer_lanes(fault, card, ((1.0, level, ""),))
        yield lanes.bus_lanes(fault, card, level)
    yield lanes.chip_lanes("floating", regions, lanes.floats(card))
    yield lanes.buffer_lanes("floating", card, lanes.floats(card))
    yield lanes.bridges_of_chips(regions)
    yield lanes.bridges_of_buffers(card)
    yield lanes.bridges_of_bus(card)
    yield (paths.write_lost(r, chip) for r in ram for chip in r.chips)
    yield (paths.write_lost(r, None) for r in ram)
    yield paths.write_lost_board(card, ram)
    yield (paths.dead(card, r, chip) for r in regions for chip in r.chips)
    yield from addresses(card, regions)
    yield (paths.select_missing(card, r) for r in regions)
    yield (paths.select_extra(a, b) for a, b in itertools.permutations(regions, 2) if a.writable or b.writable)
    yield (paths.swapped(a, b) for a, b in itertools.combinations(regions, 2))
    yield paths.directions(card)
    yield coupled_cells(cells, card)
    yield (leaky(r, chip.designator, chip.mask, None) for r in ram for chip in r.chips)
    yield leaky_cells(cells, card)
    yield (paths.slow(card, r, chip) for r in regions for chip in r.chips)
    yield (paths.slow(card, r, None) for r in regions)
