"""Traffic of real programs: memory tests. A program yields accesses and is sent what each read gave.

An access is `("R", address)`, `("W", address, data)`, `("F", address)` for an opcode fetch, `("I", port)`,
`("O", port, data)` or `("N", cycles)` for cycles without the bus.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass

Op = tuple[str, int] | tuple[str, int, int]
Program = Generator[Op, int, None]


@dataclass
class Code:
    """Where the program's own bytes lie: fetched in order, and back again in loops."""

    low: int
    high: int
    pc: int = -1

    def __post_init__(self) -> None:
        if self.pc < 0:
            self.pc = self.low

    def step(self, operands: int = 0) -> Program:
        """One instruction: an opcode fetch and its operands."""
        yield ("F", self.pc)
        self._on()
        for _ in range(operands):
            yield ("R", self.pc)
            self._on()

    def _on(self) -> None:
        self.pc += 1
        if self.pc > self.high:
            self.pc = self.low

    def call(self, room: int) -> int:
        """Goes to a routine of `room` bytes: returns where it came from."""
        back = self.pc
        span = max(1, self.high - self.low - room)
        self.pc = self.low + (back * 7919 + room * 31) % span
        return back


@dataclass
class Cpu:
    """What programs share: code, a stack, somewhere to print."""

    code: Code
    draw: random.Random
    stack: int  # next free byte
    port: tuple[str, int] | None = None  # ("O", port) or ("W", address) of a printer or terminal

    def push(self, value: int) -> Program:
        """One byte onto the stack."""
        yield ("W", self.stack, value & 0xFF)
        self.stack -= 1

    def pull(self) -> Program:
        """One byte off it."""
        self.stack += 1
        yield ("R", self.stack)

    def enter(self, room: int = 40) -> Generator[Op, int, int]:
        """A subroutine call."""
        yield from self.code.step(2)
        back = self.code.pc
        yield from self.push(back >> 8)
        yield from self.push(back & 0xFF)
        return self.code.call(room)

    def leave(self, back: int) -> Program:
        """And its return."""
        yield from self.code.step()
        yield from self.pull()
        yield from self.pull()
        self.code.pc = back

    def show(self, value: int) -> Program:
        """A character to the printer or terminal."""
        if self.port is not None:
            yield from self.code.step(1)
            yield (self.port[0], self.port[1], value & 0xFF)


Pattern = Callable[[int, int], int]


def checkerboard(address: int, turn: int) -> int:
    """55 and AA by turns."""
    return 0x55 if (address ^ turn) & 1 else 0xAA


def in_itself(address: int, turn: int) -> int:
    """Each address holds its own low byte, or high byte mixed in."""
    return (address ^ (address >> 8) * (1 + turn)) & 0xFF


def walking(address: int, turn: int) -> int:
    """A single one that walks with address and pass."""
    return 1 << ((address + turn) % 8)


def solid(address: int, turn: int) -> int:
    """All zeros, then all ones."""
    return 0xFF if turn & 1 else 0x00


def scattered(address: int, turn: int) -> int:
    """What a shift register gives for this address and pass."""
    word = (address * 40503 + turn * 30011 + 17) & 0xFFFF
    for _ in range(5):
        word = (word >> 1) ^ (0xB400 if word & 1 else 0)
    return word & 0xFF


PATTERNS: Sequence[Pattern] = (checkerboard, in_itself, walking, solid, scattered)


def fill_and_check(cpu: Cpu, cells: Sequence[int], pattern: Pattern, turns: int) -> Program:
    """Writes every cell, then reads every cell, some passes over."""
    for turn in range(turns):
        top = cpu.code.pc
        for address in cells:
            cpu.code.pc = top
            yield from cpu.code.step()
            yield ("W", address, pattern(address, turn))
            yield from cpu.code.step(1)
        top = cpu.code.pc
        for address in cells:
            cpu.code.pc = top
            yield from cpu.code.step()
            yield ("R", address)
            yield from cpu.code.step(1)


def write_and_look(cpu: Cpu, cells: Sequence[int], pattern: Pattern, turns: int) -> Program:
    """The monitor's quick test: write a byte, read it back at once."""
    for turn in range(turns):
        top = cpu.code.pc
        for address in cells:
            cpu.code.pc = top
            yield from cpu.code.step()
            yield ("W", address, pattern(address, turn))
            yield from cpu.code.step()
            yield ("R", address)
            yield from cpu.code.step(1)


def march(cpu: Cpu, cells: Sequence[int], low: int = 0x00) -> Program:
    """March C- over the cells, with a background byte."""
    high = low ^ 0xFF
    yield from fill_and_check_half(cpu, cells, None, low)
    yield from fill_and_check_half(cpu, cells, low, high)
    yield from fill_and_check_half(cpu, cells, high, low)
    down = list(reversed(cells))
    yield from fill_and_check_half(cpu, down, low, high)
    yield from fill_and_check_half(cpu, down, high, low)
    yield from fill_and_check_half(cpu, cells, low, None)


def fill_and_check_half(cpu: Cpu, cells: Sequence[int], expect: int | None, put: int | None) -> Program:
    """One march element: read (if anything is expected), then write (if anything is put)."""
    top = cpu.code.pc
    for address in cells:
        cpu.code.pc = top
        yield from cpu.code.step()
        if expect is not None:
            yield ("R", address)
            yield from cpu.code.step(1)
        if put is not None:
            yield ("W", address, put)
        yield from cpu.code.step(1)


def gallop(cpu: Cpu, cells: Sequence[int]) -> Program:
    """Galloping: one cell turned over, every other read in between."""
    for address in cells:
        yield from cpu.code.step()
        yield ("W", address, 0x00)
    top = cpu.code.pc
    for address in cells:
        yield ("W", address, 0xFF)
        for other in cells:
            if other == address:
                continue
            cpu.code.pc = top
            yield from cpu.code.step()
            yield ("R", other)
            yield ("R", address)
            yield from cpu.code.step(1)
        yield ("W", address, 0x00)


def sparse(start: int, size: int, draw: random.Random, count: int) -> list[int]:
    """Cells that tell address lines apart: powers of two and their pairs, and some others."""
    cells = {start, start + size - 1}
    bit = 1
    while bit < size:
        cells.add(start + bit)
        cells.add(start + (size - 1 ^ bit))
        bit <<= 1
    while len(cells) < min(count, size):
        cells.add(start + draw.randrange(size))
    return sorted(cells)


def window(start: int, size: int, draw: random.Random, count: int) -> list[int]:
    """A run of neighbouring cells."""
    count = min(count, size)
    low = start + draw.randrange(size - count + 1)
    return list(range(low, low + count))


def memory_test(cpu: Cpu, start: int, size: int, room: int) -> Program:
    """One of the usual tests on a range, of about `room` accesses to the range."""
    draw = cpu.draw
    which = draw.choice(["fill", "fill", "look", "march", "gallop", "random"])
    pattern = draw.choice(PATTERNS)
    pick = draw.choice([sparse, window, window])
    if which == "fill":
        turns = draw.randint(1, 4)
        yield from fill_and_check(cpu, pick(start, size, draw, max(20, room // (2 * turns))), pattern, turns)
    elif which == "look":
        turns = draw.randint(1, 3)
        yield from write_and_look(cpu, pick(start, size, draw, max(20, room // (2 * turns))), pattern, turns)
    elif which == "march":
        low = draw.choice([0x00, 0x00, 0x55, 0x33])
        yield from march(cpu, pick(start, size, draw, max(20, room // 10)), low)
    elif which == "gallop":
        yield from gallop(cpu, sparse(start, size, draw, 8)[: max(8, min(24, int(room**0.5)))])
    else:
        turns = draw.randint(1, 3)
        yield from fill_and_check(cpu, pick(start, size, draw, max(20, room // (2 * turns))), scattered, turns)
