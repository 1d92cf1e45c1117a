"""Puts the bus cycles of a processor round each data access: fetches, operands, dead cycles, ports."""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .traffic import Op

READ, WRITE, FETCH, IDLE, IN, OUT = 0, 1, 2, 3, 5, 6
NAMES = {READ: "read", WRITE: "write", FETCH: "opcode-fetch", IDLE: "idle", IN: "io-read", OUT: "io-write"}
I64 = npt.NDArray[np.int64]


@dataclass
class Cycles:
    """Bus cycles as columns. data: what is written, or what a device off the card answers."""

    kind: I64
    address: I64
    data: I64
    src: I64
    add: I64
    states: I64

    def __len__(self) -> int:
        return len(self.kind)


class Processor:
    """Emits cycles for one bus."""

    def __init__(self, rng: random.Random, bus: str, code: list[tuple[int, int]], outside: list[int]) -> None:
        self.rng = rng
        self.bus = bus
        self.code = code
        self.outside = outside
        self.rows: list[tuple[int, int, int, int, int, int]] = []
        self.loop()
        self.strobed = bus in ("z80", "8085", "8080")
        self.ports = rng.choice([0.0, 0.01, 0.03]) if bus in ("z80", "8085") else 0.0
        self.detail = rng.choice([0.2, 0.5, 0.9])

    def loop(self) -> None:
        """Moves the program counter to another loop."""
        start, size = self.rng.choice(self.code)
        self.length = min(self.rng.randint(6, 60), size)
        self.begin = start + self.rng.randrange(size - self.length + 1)
        self.at = 0

    def cycle(self, kind: int, address: int, data: int = 0, src: int = -1, add: int = 0, states: int = 0) -> int:
        """Appends one cycle; its index."""
        self.rows.append((kind, address, data, src, add, states))
        return len(self.rows) - 1

    def next_code(self, first: bool) -> None:
        """One byte of program: an opcode (first) or an operand."""
        address = self.begin + self.at
        self.at += 1
        if self.at >= self.length:
            self.at = 0
            if self.rng.random() < 0.05:
                self.loop()
        opcode = first and self.bus not in ("6800", "6809")
        states = 0
        if self.strobed:
            states = self.rng.choice([4, 4, 4, 5, 6] if opcode else [3])
            if self.bus == "8080" and opcode:
                states = self.rng.choice([4, 4, 5])
            if self.bus == "8085" and opcode:
                states = self.rng.choice([4, 4, 6])
        self.cycle(FETCH if opcode else READ, address, self.outside[address], states=states)

    def dead(self, address: int) -> None:
        """A cycle without an access, where the bus has such."""
        if self.bus == "6800":
            self.cycle(IDLE, address)
        elif self.bus == "6809":
            self.cycle(IDLE, 0xFFFF)
        elif self.bus == "6502":
            at = self.begin + self.at
            self.cycle(READ, at, self.outside[at])

    def port(self) -> None:
        """An input or output instruction."""
        self.next_code(True)
        self.next_code(False)
        port = self.rng.randrange(256)
        high = port if self.bus == "8085" else self.rng.randrange(256)
        kind = self.rng.choice([IN, OUT])
        self.cycle(kind, port | high << 8, self.rng.randrange(256), states=4 if self.bus == "z80" else 3)

    def access(self, op: Op, seen: dict[int, int], index: int) -> None:
        """One data access inside its instruction."""
        rng = self.rng
        self.next_code(True)
        long = rng.random() < self.detail
        for _ in range(rng.choice([1, 2]) if long or not self.strobed else 0):
            self.next_code(False)
        if self.bus in ("6800", "6809") and (long or op.what == "w"):
            for _ in range(rng.choice([1, 1, 2, 3])):
                self.dead(op.address)
        elif self.bus == "6502" and rng.random() < 0.2:
            self.dead(op.address)
        kind = READ if op.what == "r" else WRITE
        seen[index] = self.cycle(kind, op.address, op.data, seen.get(op.src, -1), op.add, 3)
        if rng.random() < 0.15:
            self.next_code(True)
        if self.ports and rng.random() < self.ports:
            self.port()


def run(
    rng: random.Random, bus: str, ops: list[Op], code: list[tuple[int, int]], outside: list[int], most: int
) -> Cycles:
    """The whole run, cut at so many cycles. code: ranges (start, size) that the program is fetched from."""
    cpu = Processor(rng, bus, code, outside)
    seen: dict[int, int] = {}
    for _ in range(rng.randint(3, 10)):
        cpu.next_code(True)
    for index, op in enumerate(ops):
        if op.what == "p":
            for _ in range(op.address):
                cpu.next_code(rng.random() < 0.5)
        else:
            cpu.access(op, seen, index)
        if len(cpu.rows) >= most:
            break
    for _ in range(4):
        cpu.next_code(True)
    table = np.array(cpu.rows, dtype=np.int64).T
    return Cycles(*(np.ascontiguousarray(column) for column in table))
