"""A card cut into very many regions of sixteen cells, two chips each, behind one driver, with some chips bad."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from busledger.decoder.board import Board, Buffer, BufferPart, Chip, Region, parts
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.diagnosis import Evidence, ProfileFacts, TrafficCounter
from busledger.decoder.ledger import AccessLog, Counter, Ledger, RegionMap

__all__ = ["card_of", "evidence_of_regions"]

WORDS = 16
Bend = Callable[[np.ndarray], np.ndarray]


def card_of(count: int) -> Board:
    """U1 and U2 are the low and high nibble of the first region, U3 and U4 of the second …; D1 drives them all."""
    regions = tuple(
        Region(f"r{k}", WORDS * k, WORDS * k + WORDS - 1, "ram", "memory", None,
               (Chip(f"U{2 * k + 1}", None, (0, 1, 2, 3)), Chip(f"U{2 * k + 2}", None, (4, 5, 6, 7))))
        for k in range(count)
    )  # fmt: skip
    driver = parts().get("74LS245")
    assert isinstance(driver, BufferPart)
    served = tuple(region.name for region in regions)
    return Board(path="", name="planetarium drive", bus="z80", regions=regions,
                 buffers=(Buffer("D1", driver, lanes=tuple(range(8)), serves=served),))  # fmt: skip


def evidence_of_regions(count: int, bad: Mapping[int, Bend], fills: int = 3) -> Evidence:
    """Random fills read back; the reads of region k pass through ``bad[k]``."""
    board, rng = card_of(count), np.random.default_rng(8)
    cells = np.arange(WORDS * count, dtype=np.uint32)
    data = rng.integers(0, 256, (fills, len(cells)), np.uint32)
    seen = data.copy()
    for region, bend in bad.items():
        mine = slice(WORDS * region, WORDS * region + WORDS)
        seen[:, mine] = bend(data[:, mine])
    cycles = Cycles.empty(2 * data.size)
    both = np.stack([data, seen], axis=1)  # fill, written or read, cell
    cycles.data[:] = both.ravel()
    cycles.kind[:] = np.broadcast_to(np.array([Kind.WRITE, Kind.READ])[:, None], both.shape).ravel()
    cycles.address[:] = np.broadcast_to(cells, both.shape).ravel()
    cycles.kept[1:] = cycles.data[:-1]
    cycles.sample[:] = np.arange(len(cycles))
    cycles.time[:], cycles.width[:] = 1000 * (cycles.sample + 1), 1
    region_map = RegionMap(board.regions)
    compared = Ledger(region_map, 16).feed(cycles)
    counter, traffic, log = Counter(region_map), TrafficCounter(count, 8), AccessLog()
    counter.feed(cycles, compared)
    traffic.feed(cycles)
    log.append(cycles, compared)
    return Evidence(board, ProfileFacts(16, 8), counter.counts(), log, tick_s=1e-9, traffic=traffic)
