"""Regions from traffic alone: written and read runs, rounded out to a power of two."""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import TrafficMap


def sweep(kind: Kind, addresses) -> Cycles:
    addresses = np.asarray(list(addresses), np.uint32)
    cycles = Cycles.empty(len(addresses))
    cycles.kind[:] = kind
    cycles.address[:] = addresses
    cycles.width[:] = 1
    return cycles


def runs_of(*parts: Cycles) -> list[tuple[int, int]]:
    seen = TrafficMap()
    for part in parts:
        seen.feed(part)
    return [(run.start, run.end) for run in seen.runs()]


def test_a_tested_bank_becomes_one_region():
    bank = range(0x4000, 0x4400)
    assert runs_of(sweep(Kind.WRITE, bank), sweep(Kind.READ, bank)) == [(0x4000, 0x43FF)]


def test_a_run_that_stops_short_is_rounded_out():
    assert runs_of(sweep(Kind.WRITE, range(0x4005, 0x43F0)), sweep(Kind.READ, range(0x4005, 0x43F0))) == [
        (0x4000, 0x43FF)
    ]


def test_rom_beside_ram_is_no_part_of_it_and_ports_are_no_memory():
    fetches = sweep(Kind.OPCODE_FETCH, range(0xF000, 0xF100))
    port = [sweep(Kind.WRITE, [0xD000]), sweep(Kind.READ, [0xD000])]
    ram = range(0x0200, 0x0300)
    assert runs_of(fetches, *port, sweep(Kind.WRITE, ram), sweep(Kind.READ, ram)) == [(0x0200, 0x02FF)]


def test_no_traffic_gives_no_region():
    assert runs_of() == []
    assert runs_of(sweep(Kind.READ, range(100))) == []
