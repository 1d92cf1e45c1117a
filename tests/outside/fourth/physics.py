"""The card at work: what each cycle leaves on the data bus, with faults as physics.

A fault is a thing that is true of a part while it is active; what it does to reads follows from how chips, drivers
and selects behave. Drivers have a card side that floats by itself. The model goes cycle by cycle; levels within a
cycle are drawn by `waves`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

import numpy as np
import numpy.typing as npt

from tests.outside.fourth.layout import Board, Chip
from tests.outside.fourth.processors import DEAD, OUT, WRITE, Cycle

Overlay = Callable[[int, int, int, int, float], int | None]
"""(cycle number, kind, address, data, time ns) -> the byte that another thing than the row puts there, or None."""


@dataclass
class Fault:
    """One thing that is wrong, and when it acts."""

    kind: str
    scope: str
    component: str | None
    rows: tuple[int, ...] = ()
    chip: Chip | None = None
    lanes: tuple[int, ...] = ()
    lines: tuple[int, ...] = ()
    cell: int | None = None
    aggressor: int = 0
    level: int = 0
    other: int = -1
    age: float = 0.0
    path: str = "both"
    mode: str = "always"  # always | random | bursts | warming
    rate: float = 1.0
    seed: int = 0

    def mask(self, n: int) -> bytes:
        """For each of n cycles: does the fault act?"""
        if self.mode == "always":
            return b"\1" * n
        rng = np.random.default_rng(self.seed)
        chance: npt.NDArray[np.float64] = np.full(n, self.rate)
        if self.mode == "warming":
            chance = self.rate * 2 * np.arange(n) / n
        elif self.mode == "bursts":
            chance = np.zeros(n)
            for _ in range(4):
                at = int(rng.integers(0, n))
                chance[at : at + max(1, int(n * self.rate / 2))] = 0.6
        return (rng.random(n) < chance).astype(np.uint8).tobytes()


@dataclass
class Trace:
    """What came of a run: data on the bus at each cycle's end, selects as at the decoder, and who drove."""

    data: list[int] = field(default_factory=list)
    selects: list[int] = field(default_factory=list)
    driven: list[int] = field(default_factory=list)


def _through(address: int, fault: Fault) -> int:
    bit = fault.lines[0]
    if fault.kind == "address-stuck":
        return address & ~(1 << bit) | fault.level << bit
    a, b = address >> bit & 1, address >> fault.lines[1] & 1
    both = (a | b) if fault.level else (a & b)
    return address & ~(1 << bit | 1 << fault.lines[1]) | both << bit | both << fault.lines[1]


def _pick(word: int, lanes: tuple[int, ...]) -> int:
    return sum((word >> lane & 1) << i for i, lane in enumerate(lanes))


def _spread(value: int, lanes: tuple[int, ...]) -> int:
    return sum((value >> i & 1) << lane for i, lane in enumerate(lanes))


def _mask(lanes: tuple[int, ...]) -> int:
    return sum(1 << lane for lane in lanes)


class Machine:
    """The memory of one board with its faults; `step` runs a cycle."""

    def __init__(self, board: Board, faults: list[Fault], cells_seed: int, overlay: Overlay | None = None) -> None:
        self.board, self.faults, self.overlay = board, faults, overlay
        rng = Random(cells_seed)
        self.cells = [[bytearray(rng.randbytes(1 << row.bits)) for _ in row.chips] for row in board.rows]
        self.written: dict[tuple[int, int], float] = {}
        self.scratch: dict[int, int] = {}
        self.bus = 0xFF
        self.card = [0xFF] * 8  # level of the card side behind each group of drivers
        self.last = 0

    def rest(self, level: int) -> int:
        """What an undriven lane comes to from a level."""
        return level if self.board.floats == "keep" else 0xFF

    def selected(self, row: int, acts: list[Fault]) -> list[int]:
        """Rows whose select comes for an address of `row`, as at the decoder."""
        rows = [row]
        for f in acts:
            if f.kind == "select-missing" and f.rows[0] == row:
                rows = []
            elif f.kind == "select-extra" and f.other == row and f.rows[0] not in rows:
                rows = [*rows, f.rows[0]]
            elif f.kind == "select-swapped" and row in (f.rows[0], f.other):
                rows = [f.other if row == f.rows[0] else f.rows[0]]
        return rows

    def group(self, row: int) -> int:
        """Number of the driver group behind which a row sits, or -1: it is on the bus itself."""
        for driver in self.board.drivers:
            if row in driver.serves:
                return driver.serves[0]
        return -1

    def chip_address(self, row: int, address: int, chip: Chip, acts: list[Fault]) -> int:
        """The address as the chip's own pins decode it."""
        local = address & ((1 << self.board.rows[row].bits) - 1)
        for f in acts:
            if f.kind.startswith("address-") and row in f.rows and (f.scope != "chip" or f.chip is chip):
                local = _through(local, f)
        return local

    def read_chip(self, row: int, slot: int, local: int, now: float, acts: list[Fault]) -> tuple[int, int]:
        """(lanes driven, levels) of one chip's outputs."""
        chip = self.board.rows[row].chips[slot]
        store = self.cells[row][slot]
        mine = [f for f in acts if f.chip is chip]
        for f in mine:
            if f.kind == "leaky" and (f.cell is None or f.cell == local):
                when = self.written.get((id(chip), local))
                if when is not None and now - when > f.age * (0.8 + 0.4 * (local * 37 % 16) / 16):
                    bits = _pick(_mask(f.lanes), chip.lanes)
                    store[local] = store[local] | bits if f.level else store[local] & ~bits & 0xFF
        word = _spread(store[local], chip.lanes)
        driven = _mask(chip.lanes)
        for f in mine:
            lanes = _mask(f.lanes)
            if f.kind == "dead":
                driven = 0
            elif f.kind in ("floating", "slow"):
                driven &= ~lanes
            elif f.kind.startswith("stuck-") and (f.cell is None or f.cell == local):
                word = word | lanes if f.level else word & ~lanes
            elif f.kind == "bridged":
                word = word | lanes if (word & lanes == lanes or (f.level and word & lanes)) else word & ~lanes
        return driven, word & driven

    def write_chip(self, row: int, slot: int, local: int, word: int, now: float, acts: list[Fault]) -> None:
        """One chip takes what is on its lanes."""
        chip = self.board.rows[row].chips[slot]
        mine = [f for f in acts if f.chip is chip]
        if any(f.kind in ("dead", "write-lost") for f in mine):
            return
        store = self.cells[row][slot]
        new, old = _pick(word, chip.lanes), store[local]
        store[local] = new
        self.written[id(chip), local] = now
        for f in mine:
            if f.kind == "coupled" and f.aggressor == local and f.cell is not None:
                bit = _pick(_mask(f.lanes), chip.lanes)
                if (old ^ new) & bit:
                    store[f.cell] = store[f.cell] | bit if f.level else store[f.cell] & ~bit & 0xFF

    def write(self, row: int, address: int, data: int, now: float, acts: list[Fault]) -> int:
        """A write to the card; gives the rows selected, as bits."""
        group = self.group(row)
        level = data
        if group >= 0:
            before = self.rest(self.card[group])
            for f in acts:
                if f.scope == "buffer" and row in f.rows and f.path != "read":
                    lanes = _mask(f.lanes)
                    if f.kind in ("direction-stuck", "floating"):
                        level = level & ~lanes | before & lanes
                    elif f.kind.startswith("stuck-"):
                        level = level | lanes if f.level else level & ~lanes
                    elif f.kind == "bridged":
                        level = level | lanes if level & lanes == lanes else level & ~lanes
            self.card[group] = level
        rows = self.selected(row, acts)
        for one in rows:
            if any(f.kind in ("no-answer", "write-lost") and f.scope == "region" and one in f.rows for f in acts):
                continue
            for slot, chip in enumerate(self.board.rows[one].chips):
                self.write_chip(one, slot, self.chip_address(one, address, chip, acts), level, now, acts)
        return sum(1 << one for one in rows)

    def read(self, row: int, address: int, now: float, acts: list[Fault]) -> tuple[int, int]:
        """A read of the card: (rows selected as bits, lanes driven on the bus); leaves the level on the bus."""
        rows = self.selected(row, acts)
        driven, word = 0, 0xFF
        for one in rows:
            if any(f.kind in ("no-answer", "slow") and f.scope == "region" and one in f.rows for f in acts):
                continue
            for slot, chip in enumerate(self.board.rows[one].chips):
                d, w = self.read_chip(one, slot, self.chip_address(one, address, chip, acts), now, acts)
                driven |= d
                word &= ~d | w  # two that drive one lane: the low wins
        group = self.group(row)
        if group >= 0:
            level = word & driven | self.rest(self.card[group]) & ~driven & 0xFF
            driven = 0xFF
            self.card[group] = level
            for f in acts:
                if f.scope == "buffer" and row in f.rows and f.path != "write":
                    lanes = _mask(f.lanes)
                    if f.kind in ("direction-stuck", "floating"):
                        driven &= ~lanes
                    elif f.kind.startswith("stuck-"):
                        level = level | lanes if f.level else level & ~lanes
                    elif f.kind == "bridged":
                        level = level | lanes if level & lanes == lanes else level & ~lanes
            word = level
        self.bus = (word & driven | self.rest(self.bus) & ~driven) & 0xFF
        return sum(1 << one for one in rows), driven

    def step(self, number: int, cycle: Cycle, now: float, acts: list[Fault]) -> tuple[int, int, int]:
        """Runs one cycle: (data, rows selected as bits, lanes driven by someone)."""
        kind, address, data, _ = cycle
        if self.board.bus == "8085":
            self.bus = address & 0xFF  # the low address was on the same lines
        row = self.board.row_at(address)
        if kind == DEAD:
            # A decoder that does not look at VMA selects all the same, and the row drives.
            if row >= 0 and self.board.decoder and "VMA" not in self.board.decoder_inputs.values():
                if self.board.gated:
                    return self.bus, sum(1 << one for one in self.selected(row, acts)), 0
                rows, driven = self.read(row, address, now, acts)
                return self.bus, rows, driven
            return self.bus, 0, 0
        if kind in (WRITE, OUT):
            data = self.last if data < 0 else data
            self.bus = data
            given = self.overlay(number, kind, address, data, now) if self.overlay else None
            if kind == OUT:
                return data, 0, 0xFF
            if row >= 0:
                if given is None:
                    return data, self.write(row, address, data, now, acts), 0xFF
                return data, 1 << row, 0xFF
            self.scratch[address] = data
            return data, 0, 0xFF
        if row >= 0:
            given = self.overlay(number, kind, address, -1, now) if self.overlay else None
            if given is not None:
                self.bus = given
                rows, driven = 1 << row, 0xFF
            else:
                rows, driven = self.read(row, address, now, acts)
            self.last = self.bus
            return self.bus, rows, driven
        offset = address - self.board.rom_start
        self.bus = self.board.rom[offset] if 0 <= offset < len(self.board.rom) else self.scratch.get(address, 0x00)
        return self.bus, 0, 0xFF


def run_card(
    board: Board,
    cycles: list[Cycle],
    times: npt.NDArray[np.float64],
    faults: list[Fault],
    cells_seed: int,
    overlay: Overlay | None = None,
) -> Trace:
    """Runs all cycles; `times` are their starts in ns."""
    machine = Machine(board, faults, cells_seed, overlay)
    masks = [f.mask(len(cycles)) for f in faults]
    trace = Trace()
    starts = times.tolist()
    for number, cycle in enumerate(cycles):
        acts = [f for f, m in zip(faults, masks, strict=True) if m[number]]
        data, rows, driven = machine.step(number, cycle, starts[number], acts)
        trace.data.append(data)
        trace.selects.append(rows)
        trace.driven.append(driven)
    return trace
