"""The accesses of a processor, as columns, and the writer that processors' instructions append to."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

READ, WRITE, FETCH, IOR, IOW, DEAD = range(6)

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass
class Accesses:
    """Columns of equal length n.

    ``op``: READ … DEAD; ``address``; ``data``: what a write puts on the bus; ``copied``: index of the read whose value
    a write passes on (plus ``twist``), or -1; ``steers``: the program goes where this read says (a return address,
    a pointer): if it comes back wrong, the machine is lost from there on. ``states``: clocks of the cycle.
    """

    op: Ints
    address: Ints
    data: Ints
    copied: Ints
    twist: Ints
    steers: Bools
    states: Ints

    def __len__(self) -> int:
        return len(self.op)

    def cut(self, first: int, last: int) -> Accesses:
        """The accesses from ``first`` to ``last`` (not included), as a capture that begins in the middle has them."""
        copied = self.copied[first:last] - first
        return Accesses(
            self.op[first:last], self.address[first:last], self.data[first:last],
            np.where(self.copied[first:last] < first, -1, copied), self.twist[first:last], self.steers[first:last],
            self.states[first:last],
        )  # fmt: skip


class FullError(Exception):
    """The program ROM has no room for another routine."""


class Writer:
    """Appends accesses; keeps the program's own idea of memory, which is what it writes back when it copies."""

    def __init__(self) -> None:
        self.rows: list[tuple[int, int, int, int, int, bool, int]] = []
        self.rom: dict[int, int] = {}
        self.memory: dict[int, int] = {}
        self.pc = 0
        self.last_read = -1

    def __len__(self) -> int:
        return len(self.rows)

    def fetch(self, byte: int, opcode: bool = False, states: int = 3) -> None:
        """One byte of the program at the program counter; the ROM comes to hold it."""
        held = self.rom.setdefault(self.pc, byte)
        if held != byte:
            raise AssertionError(f"the program at {self.pc:04X} would be both {held:02X} and {byte:02X}")
        self.rows.append((FETCH if opcode else READ, self.pc, byte, -1, 0, False, states))
        self.pc += 1

    def peek(self, states: int = 3) -> None:
        """The byte after the instruction, read and thrown away."""
        self.rows.append((READ, self.pc, 0, -1, 0, False, states))

    def read(self, address: int, steers: bool = False, states: int = 3) -> int:
        self.last_read = len(self.rows)
        self.rows.append((READ, address, 0, -1, 0, steers, states))
        return self.memory.get(address, 0)

    def write(self, address: int, value: int, copied: int = -1, twist: int = 0, states: int = 3) -> None:
        self.memory[address] = value
        self.rows.append((WRITE, address, value, copied, twist, False, states))

    def other(self, op: int, address: int, value: int = 0, states: int = 3) -> None:
        self.rows.append((op, address, value, -1, 0, False, states))

    def done(self) -> Accesses:
        columns = [np.array(c) for c in zip(*self.rows, strict=True)]
        ints = [c.astype(np.int64) for c in columns]
        return Accesses(ints[0], ints[1], ints[2], ints[3], ints[4], ints[5].astype(bool), ints[6])


class Processor(ABC):
    """What a test program can ask of a processor; each bus has its own. Addresses and values are plain ints."""

    #: bytes from a table in ROM (page aligned) that programs take their random data from
    table = 0
    #: where the ROM's room for programs ends
    limit = 0

    def __init__(self, writer: Writer, start: int, work: int) -> None:
        self.w = writer
        self.start = start
        self.work = work

    @abstractmethod
    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        """A loop that writes ``values`` to ``count`` cells from ``base`` on."""

    @abstractmethod
    def verify(self, base: int, count: int) -> None:
        """A loop that reads ``count`` cells from ``base`` on."""

    @abstractmethod
    def march(self, base: int, count: int, value: int, down: bool) -> None:
        """A loop that reads each cell and writes ``value`` to it, upwards or downwards."""

    @abstractmethod
    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        """Straight code: stores and loads single variables at ``base + pick``."""

    @abstractmethod
    def copy(self, source: int, target: int, count: int) -> None:
        """A loop that copies ``count`` bytes."""

    @abstractmethod
    def stack_use(self, top: int, values: list[int]) -> None:
        """Pushes ``values`` on a stack that ends at ``top`` and pops them again."""

    @abstractmethod
    def count_up(self, address: int, times: int) -> None:
        """Increments a cell in place."""

    @abstractmethod
    def outside(self, addresses: list[int]) -> None:
        """Loads from addresses where nothing answers, or from a device."""
