"""Small cards and hand-made traffic, run through the real ledger, for the tests of clearing and coverage."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from busledger.decoder.board import Board, Buffer, BufferPart, Chip, Decoder, DecoderPart, Region, parts
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import AccessLog, Ledger, RegionMap

Access = tuple[str, int, int]  # "r" or "w", address, data on the bus
Bend = Callable[[int, int], int]  # (address, data stored) → data read


def two_banks() -> Board:
    """Two regions of 16 cells, two chips each, behind one data driver, one address driver and one decoder."""
    regions = tuple(
        Region(
            f"bank{k}", 16 * k, 16 * k + 15, "ram", "memory", f"CS{k}",
            (Chip(f"U{2 * k + 1}", None, (0, 1, 2, 3)), Chip(f"U{2 * k + 2}", None, (4, 5, 6, 7))),
        )
        for k in range(2)
    )  # fmt: skip
    decoder, driver, lines = parts().get("74LS138"), parts().get("74LS245"), parts().get("74LS244")
    assert isinstance(decoder, DecoderPart) and isinstance(driver, BufferPart) and isinstance(lines, BufferPart)
    names = ("bank0", "bank1")
    return Board(
        path="",
        name="tide gauge",
        bus="z80",
        regions=regions,
        decoders=(Decoder("U9", decoder, {"A": "A4"}, {"Y0": "CS0", "Y1": "CS1"}),),
        buffers=(
            Buffer("U10", driver, lanes=tuple(range(8)), serves=names),
            Buffer("U11", lines, lines=("A0", "A1", "A2", "A3"), serves=names),
        ),
    )


def walk(rounds: int = 12, banks: Sequence[int] = (0, 1), seed: int = 3) -> list[Access]:
    """Fill every cell with random data in both orders of address and bank, reading all back after each fill."""
    rng = np.random.default_rng(seed)
    cells = [16 * b + k for b in banks for k in range(16)]
    made: list[Access] = []
    for turn in range(rounds):
        order = cells if turn % 2 == 0 else cells[::-1]
        data = {cell: int(rng.integers(0, 256)) for cell in cells}
        made += [("w", cell, data[cell]) for cell in order]
        made += [("r", cell, data[cell]) for cell in order]
    return made


def log_of(board: Board, accesses: Sequence[Access], bend: Bend = lambda _, data: data, step: int = 1000) -> AccessLog:
    """The log that the ledger makes of the traffic; reads return ``bend(address, data)``; ``step`` ticks apart."""
    cycles = Cycles.empty(len(accesses))
    kept = 0
    for i, (kind, address, data) in enumerate(accesses):
        seen = bend(address, data) if kind == "r" else data
        cycles.sample[i], cycles.time[i], cycles.width[i] = i, (i + 1) * step, 1
        cycles.kind[i] = Kind.READ if kind == "r" else Kind.WRITE
        cycles.address[i], cycles.data[i], cycles.kept[i] = address, seen, kept
        kept = seen
    region_map = RegionMap(board.regions)
    region_map.locate(cycles, region_map.spaces(cycles))
    log = AccessLog()
    log.append(cycles, Ledger(region_map, 16).feed(cycles))
    return log
