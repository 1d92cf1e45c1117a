"""A card of two banks that can be given any fault, for the tests of the engine: a dozen lines of hardware a fault.

Written for these tests alone; the benchmark's virtual card is another world.
"""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.diagnosis import Evidence, ProfileFacts, TrafficCounter
from busledger.decoder.ledger import AccessLog, Counter, Ledger, RegionMap

from .small_cards import two_banks

LOW_NIBBLE, HIGH_NIBBLE = 0x0F, 0xF0
CHIPS = {"U1": (0, LOW_NIBBLE), "U2": (0, HIGH_NIBBLE), "U3": (1, LOW_NIBBLE), "U4": (1, HIGH_NIBBLE)}


class Hardware:
    """Healthy: ``write`` and ``read`` of bus addresses 0-31 (bank 0: 0-15, bank 1: 16-31). Faults override.

    ``acts()`` says whether the fault acts at this access.
    """

    def __init__(self, rng: np.random.Generator, rate: float = 1.0) -> None:
        self.rng, self.rate = rng, rate
        self.cells = [int(v) for v in rng.integers(0, 256, 32)]
        self.bus = 0

    def acts(self) -> bool:
        return bool(self.rng.random() < self.rate)

    def put(self, cell: int, data: int, mask: int = 0xFF) -> None:
        self.cells[cell] = self.cells[cell] & ~mask | data & mask

    def write(self, address: int, data: int) -> None:
        self.put(address, data)

    def read(self, address: int) -> int:
        return self.cells[address]


class SelectExtra(Hardware):
    """The select of bank 0 comes for bank 1 too; low wins."""

    def write(self, address: int, data: int) -> None:
        self.put(address, data)
        if address >= 16 and self.acts():
            self.put(address - 16, data)

    def read(self, address: int) -> int:
        data = self.cells[address]
        return data & self.cells[address - 16] if address >= 16 and self.acts() else data


def evidence_of(hardware: Hardware, rounds: int = 40, banks: tuple[int, ...] = (0, 1), board=None) -> Evidence:
    """Random fills read back in another order, with single writes and reads between, through the real ledger."""
    board = board if board is not None else two_banks()
    rng = np.random.default_rng(5)
    script: list[tuple[bool, int, int]] = []
    cells = np.array([16 * b + k for b in banks for k in range(16)])
    for _ in range(rounds):
        script += [(True, int(a), int(rng.integers(256))) for a in rng.permutation(cells)]
        script += [(False, int(a), 0) for a in rng.permutation(cells)]
        for a in rng.choice(cells, 12):
            script.append((bool(rng.random() < 0.5), int(a), int(rng.integers(256))))
    cycles = Cycles.empty(len(script))
    for i, (write, address, data) in enumerate(script):
        cycles.kept[i] = hardware.bus
        if write:
            hardware.write(address, data)
        else:
            data = hardware.read(address)
        hardware.bus = data
        cycles.sample[i], cycles.time[i], cycles.width[i] = i, (i + 1) * 1000, 1
        cycles.kind[i] = Kind.WRITE if write else Kind.READ
        cycles.address[i], cycles.data[i] = address, data
    region_map = RegionMap(board.regions)
    compared = Ledger(region_map, 16).feed(cycles)
    counter, traffic, log = Counter(region_map), TrafficCounter(len(board.regions), 8), AccessLog()
    counter.feed(cycles, compared)
    traffic.feed(cycles)
    log.append(cycles, compared)
    return Evidence(board, ProfileFacts(16, 8), counter.counts(), log, tick_s=1e-9, traffic=traffic)
