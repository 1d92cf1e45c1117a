"""Processors: the machine code of each phase, laid in ROM, and every bus cycle that running it takes.

Cycle by cycle after the makers' instruction tables (Z80 and 8085 machine cycles; MCS6500, MC6800 and MC6809 cycle
tables, from memory). A cycle is (kind, address, data, extra clock states); data -1 is a read.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.outside.fourth.layout import Board
from tests.outside.fourth.program import Phase

FETCH, READ, WRITE, DEAD, OUT = range(5)
Cycle = tuple[int, int, int, int]


@dataclass
class Run:
    """What the machine does: cycles in order, and at which of them each phase begins."""

    cycles: list[Cycle] = field(default_factory=list)
    marks: list[int] = field(default_factory=list)


class Assembler:
    """Lays one phase after another in ROM and says what cycles each instruction makes."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.bus = board.bus
        self.pc = board.rom_start + 0x10
        self.limit = board.rom_start + len(board.rom) - 0x20

    def lay(self, at: int, code: bytes) -> None:
        """Puts code in the ROM."""
        offset = at - self.board.rom_start
        self.board.rom[offset : offset + len(code)] = code

    def fetch(self, at: int, length: int, extra: int = 0) -> list[Cycle]:
        """The fetch of an instruction's bytes: opcode, then operands."""
        first: list[Cycle] = [(FETCH, at, -1, extra)]
        return first + [(READ, at + i, -1, 0) for i in range(1, length)]

    def access(self, word: str, at: int, address: int, data: int) -> tuple[bytes, list[Cycle]]:
        """One access by a register pointer: its code and its cycles."""
        reads = word in ("r", "pop")
        kind = READ if reads else WRITE
        data = -1 if reads else data
        if self.bus in ("z80", "8085"):
            code = b"\x7e" if reads else b"\x77"
            return code, [*self.fetch(at, 1), (kind, address, data, 0)]
        if self.bus == "6502":
            code = bytes((0xB1 if reads else 0x91, 0x10))
            cycles = [*self.fetch(at, 2), (READ, 0x10, -1, 0), (READ, 0x11, -1, 0)]
            if not reads:
                cycles.append((READ, address, -1, 0))  # stores read the uncarried address first
            return code, [*cycles, (kind, address, data, 0)]
        if self.bus == "6800":
            code = bytes((0xA6 if reads else 0xA7, 0x00))
            dead: list[Cycle] = [(DEAD, address, -1, 0)] * (2 if reads else 3)
            return code, [*self.fetch(at, 2), *dead, (kind, address, data, 0)]
        code = bytes((0xA6 if reads else 0xA7, 0x84))
        return code, [*self.fetch(at, 2), (READ, at + 2, -1, 0), (kind, address, data, 0)]

    def pair(self, word: str, at: int, cells: list[tuple[int, int]]) -> tuple[bytes, list[Cycle]]:
        """A push or a pull of two bytes."""
        (a, x), (b, y) = cells
        push = word == "push"
        data: list[Cycle] = [(WRITE, a, x, 0), (WRITE, b, y, 0)] if push else [(READ, a, -1, 0), (READ, b, -1, 0)]
        if self.bus in ("z80", "8085"):
            return bytes((0xC5 if push else 0xC1,)), self.fetch(at, 1, (2 if self.bus == "8085" else 1) * push) + data
        if self.bus == "6800":
            one, two = (0x36, 0x37) if push else (0x32, 0x33)
            out: list[Cycle] = []
            for i, cycle in enumerate(data):
                lead: list[Cycle] = [(FETCH, at + i, -1, 0), (READ, at + i + 1, -1, 0)]
                out += (
                    [*lead, cycle, (DEAD, cycle[1] - 1, -1, 0)] if push else [*lead, (DEAD, cycle[1] - 1, -1, 0), cycle]
                )
            return bytes((one, two)), out
        code = bytes((0x34 if push else 0x35, 0x06))
        idle: list[Cycle] = [(READ, 0xFFFF, -1, 0), (READ, 0xFFFF, -1, 0)]
        return code, [*self.fetch(at, 2), *idle, *data]

    def step_on(self, at: int) -> tuple[bytes, list[Cycle]]:
        """The pointer goes on: a register instruction."""
        if self.bus in ("z80", "8085"):
            return b"\x23", self.fetch(at, 1, 2)
        if self.bus == "6502":
            return b"\xca", [(FETCH, at, -1, 0), (READ, at + 1, -1, 0)]
        if self.bus == "6800":
            return b"\x08", [(FETCH, at, -1, 0), (READ, at + 1, -1, 0), (DEAD, at, -1, 0), (DEAD, at, -1, 0)]
        return b"\x30\x01", [*self.fetch(at, 2), (READ, at + 2, -1, 0), (READ, 0xFFFF, -1, 0), (READ, 0xFFFF, -1, 0)]

    def point(self, at: int, address: int) -> tuple[bytes, list[Cycle]]:
        """The 6502 alone keeps its pointer in page zero and writes it for each step."""
        if self.bus != "6502":
            return b"", []
        cycles = [
            *self.fetch(at, 2),
            (WRITE, 0x10, address & 0xFF, 0),
            *self.fetch(at + 2, 2),
            (WRITE, 0x11, address >> 8, 0),
        ]
        return b"\x85\x10\x86\x11", cycles

    def back(self, at: int, top: int, taken: bool) -> tuple[bytes, list[Cycle]]:
        """The branch to the loop's top."""
        away = (top - at - 2) & 0xFF
        if self.bus == "z80":
            return bytes((0x20, away)), [(FETCH, at, -1, 0), (READ, at + 1, -1, 5 * taken)]
        if self.bus == "8085":
            code = bytes((0xC2, top & 0xFF, top >> 8))
            return code, self.fetch(at, 3) if taken else self.fetch(at, 2)
        if self.bus == "6502":
            more: list[Cycle] = [(READ, at + 2, -1, 0)] if taken else []
            if taken and (at + 2) >> 8 != top >> 8:
                more.append((READ, (at + 2) & 0xFF00 | top & 0xFF, -1, 0))
            return bytes((0xD0, away)), self.fetch(at, 2) + more
        idle: list[Cycle] = [(DEAD, at, -1, 0)] * 2 if self.bus == "6800" else [(READ, 0xFFFF, -1, 0)]
        return bytes((0x26, away)), self.fetch(at, 2) + idle

    def jump(self, at: int, to: int) -> tuple[bytes, list[Cycle]]:
        """The jump to the program's top."""
        opcode = {"z80": 0xC3, "8085": 0xC3, "6502": 0x4C}.get(self.bus, 0x7E)
        ends = (to & 0xFF, to >> 8) if self.bus in ("z80", "8085", "6502") else (to >> 8, to & 0xFF)
        idle: list[Cycle] = [(READ, 0xFFFF, -1, 0)] if self.bus == "6809" else []
        return bytes((opcode, *ends)), self.fetch(at, 3) + idle

    def iteration(self, phase: Phase, step: list[tuple[int, int]], top: int, last: bool) -> tuple[bytes, list[Cycle]]:
        """One turn of the loop."""
        code, at, slot = b"", top, 0
        cycles: list[Cycle] = []
        held = None
        while slot < len(step):
            word = phase.body[slot]
            if word in ("push", "pop") and self.bus != "6502":
                part, some = self.pair(word, at, step[slot : slot + 2])
                slot += 2
            else:
                address, data = step[slot]
                lead: list[Cycle] = []
                front = b""
                if self.bus == "6502" and (held != address or slot == 0 or len({a for a, _ in step}) > 1):
                    front, lead = self.point(at, address)
                held = address
                part, some = self.access(word, at + len(front), address, data)
                part, some = front + part, lead + some
                slot += 1
            code, cycles, at = code + part, cycles + some, at + len(part)
        for part, some in (self.step_on(at),):
            code, cycles, at = code + part, cycles + some, at + len(part)
        part, some = self.back(at, top, not last)
        return code + part, cycles + some

    def head(self, at: int, to: int) -> tuple[bytes, list[Cycle]]:
        """The dispatcher: a jump through a register to the next loop; the 6502's goes through page zero."""
        if self.bus in ("z80", "8085"):
            return b"\xe9", self.fetch(at, 1, 2 if self.bus == "8085" else 0)
        if self.bus == "6800":
            return b"\x6e\x00", [*self.fetch(at, 2), (DEAD, at, -1, 0), (DEAD, to, -1, 0)]
        if self.bus == "6809":
            return b"\x6e\xa4", [*self.fetch(at, 2), (READ, at + 2, -1, 0)]
        cycles = [*self.fetch(at, 2), (WRITE, 0x12, to & 0xFF, 0), *self.fetch(at + 2, 2), (WRITE, 0x13, to >> 8, 0)]
        cycles += [*self.fetch(at + 4, 3), (READ, 0x12, -1, 0), (READ, 0x13, -1, 0)]
        return b"\x85\x12\x86\x13\x6c\x12\x00", cycles

    def run(self, phases: list[Phase], rounds: int = 1) -> Run:
        """Lays the phases and runs them; phases of one shape share their code, as subroutines with a table do."""
        run = Run()
        known: dict[tuple[tuple[str, ...], bool], int] = {}
        top = self.pc
        code, _ = self.head(top, top)
        self.lay(top, code)
        self.pc += len(code)
        for phase in [phase for _ in range(rounds) for phase in phases if phase.steps]:
            shape = phase.body, len({a for a, _ in phase.steps[0]}) > 1
            if shape not in known:
                start = known[shape] = self.pc
                code, _ = self.iteration(phase, phase.steps[0], start, False)
                end, _ = self.jump(start + len(code), top)
                self.lay(start, code + end)
                self.pc = start + len(code) + len(end)
                if self.pc > self.limit:
                    raise ValueError("the program is larger than its ROM")
            start = known[shape]
            run.marks.append(len(run.cycles))
            run.cycles += self.head(top, start)[1]
            for number, step in enumerate(phase.steps):
                code, cycles = self.iteration(phase, step, start, number == len(phase.steps) - 1)
                run.cycles += cycles
            run.cycles += self.jump(start + len(code), top)[1]
        return run
