"""One machine with its traffic, ready to be run with any set of faults, and the comparing of what it read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from . import kernel
from .board import Board
from .cpus import FETCH, READ, WRITE, Cycles
from .faults import Fault, encode

I64 = npt.NDArray[np.int64]
FLAG = npt.NDArray[np.bool_]


@dataclass
class Run:
    """What one run gave: the data bus in each cycle, the lanes driven, the selects, the data written."""

    seen: I64
    driven: I64
    selected: I64
    wrote: I64


class Bench:
    """The machine. float_mode: keep | pull; contention: and | or | random."""

    def __init__(
        self, board: Board, cycles: Cycles, pre: I64, when: I64, image: bytes | None, rng: np.random.Generator,
        pull: int | None, contention: str,
    ) -> None:  # fmt: skip
        self.board = board
        self.cycles = cycles
        self.pre = pre
        self.when = when
        self.image = image
        self.pull = pull
        self.fight = {"and": 0, "or": 1, "random": 2}[contention]
        self.noise = rng.integers(0, 256, len(cycles))
        regions = board.regions
        self.start = np.array([r.start for r in regions], np.int64)
        self.size = np.array([r.size for r in regions], np.int64)
        self.offset = np.concatenate([[0], np.cumsum(self.size)]).astype(np.int64)
        self.is_rom = np.array([r.kind == "rom" for r in regions], np.int64)
        counts = np.cumsum([0] + [len(r.chips) for r in regions])
        self.chip_at = counts.astype(np.int64)
        self.chip_lanes = np.array([c.mask for c in board.chips], np.int64)
        self.memory = rng.integers(0, 256, int(self.offset[-1])).astype(np.int64)
        for index, region in enumerate(regions):
            if region.kind == "rom" and image is not None:
                at = int(self.offset[index])
                self.memory[at : at + region.size] = np.frombuffer(image[: region.size], np.uint8)
        self.base = self._base()
        self.data = cycles.data.copy()
        self.src = cycles.src.copy()
        self.expected = np.full(len(cycles), -1, np.int64)
        self.written_at = np.full(len(cycles), -1, np.int64)
        self.compared = np.zeros(len(cycles), np.bool_)

    def _base(self) -> I64:
        base = np.full(len(self.cycles), -1, np.int64)
        kind, address = self.cycles.kind, self.cycles.address
        memory = (kind == READ) | (kind == WRITE) | (kind == FETCH)
        for index, region in enumerate(self.board.regions):
            base[memory & (address >= region.start) & (address <= region.end)] = index
        return base

    def run(self, faults: list[Fault], active: npt.NDArray[np.uint8], on: list[bool] | None = None) -> Run:
        """Runs the machine with these faults, or those of them that are on."""
        n = len(self.cycles)
        if not faults:
            faults, active, on = [Fault("stuck-low", "chip", "", [0], [0], chip=0)], np.zeros((1, n), np.uint8), [False]
        table = np.stack([encode(f, self.board) for f in faults])
        flags = np.array([True] * len(faults) if on is None else on, np.uint8)
        c = self.cycles
        return Run(
            *kernel.card(
                c.kind, c.address, self.data, self.src, c.add, self.pre, self.when, self.noise, self.base,
                self.start, self.size, self.offset, self.is_rom, self.chip_at, self.chip_lanes, self.memory,
                table, active, flags, int(self.pull is not None), 0 if self.pull is None else self.pull, self.fight,
            )
        )  # fmt: skip

    def freeze(self, run: Run) -> None:
        """Takes what this run wrote as what is written in every other, and fills in what each read must give."""
        write = self.cycles.kind == WRITE
        self.data = np.where(write, run.wrote, self.cycles.data)
        self.src = np.full(len(self.cycles), -1, np.int64)
        held: dict[int, tuple[int, int]] = {}
        for region in self.board.regions:
            if region.kind == "rom" and region.image and self.image is not None:
                for step in range(region.size):
                    held[region.start + step] = (self.image[step], -1)
        columns = (self.cycles.kind, self.cycles.address, self.base, self.data)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        rom = self.is_rom.tolist()
        for i, (kind, address, base, data) in enumerate(rows):
            if base < 0:
                continue
            if kind == WRITE:
                if not rom[base]:
                    held[address] = (data, i)
            elif address in held:
                self.expected[i], self.written_at[i] = held[address]
        self.compared = self.expected >= 0

    def wrong(self, run: Run) -> FLAG:
        """Compared reads that came back wrong."""
        return np.asarray(self.compared & (run.seen != self.expected), dtype=np.bool_)

    def touched(self) -> tuple[dict[int, list[int]], dict[int, list[int]]]:
        """By region: addresses that are compared, and how long before each compared read they were written (sorted)."""
        cells: dict[int, list[int]] = {}
        ages: dict[int, list[int]] = {}
        for index in range(len(self.board.regions)):
            mine = self.compared & (self.base == index)
            cells[index] = sorted(set(self.cycles.address[mine].tolist()))
            young = mine & (self.written_at >= 0)
            ages[index] = sorted((self.when[young] - self.when[self.written_at[young]]).tolist())
        return cells, ages
