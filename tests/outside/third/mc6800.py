"""Programs of a 6800, cycle by cycle after its data sheet's table; VMA is low where the bus is not used."""

from __future__ import annotations

from tests.outside.third.accesses import DEAD, Writer
from tests.outside.third.mc6809 import Mc6809


class Mc6800(Mc6809):
    """The 6809's loops with one index register: sources come by extended addressing, one after the other."""

    def __init__(self, writer: Writer, start: int, work: int) -> None:
        self.at = 0
        super().__init__(writer, start, work)

    def dead(self, times: int = 1) -> None:
        for _ in range(times):
            self.w.other(DEAD, self.at)

    def jump_away(self) -> None:
        self.op(0x6E, 0x00)  # JMP 0,X
        self.dead(2)

    def indexed_load(self, code: int, address: int) -> None:
        """LDAA 0,X: two cycles without the bus before the read."""
        self.at = address
        self.op(code, 0)
        self.dead(2)

    def branch(self, back: int, taken: bool) -> None:
        self.op(0x26, (back - self.w.pc - 2) & 0xFF)
        self.dead(2)
        if taken:
            self.w.pc = back

    def step(self, code: int) -> None:
        """INX, DEX."""
        self.short(code)
        self.dead(2)

    def load(self, code: int, at: int, value: int) -> None:
        self.at = at
        self.op(0xDF, at)  # STX at: a cycle without the bus before the two writes
        self.dead()
        self.w.write(at, value >> 8)
        self.w.write(at + 1, value & 0xFF)
        self.op(0xDE, at)
        self.w.read(at, steers=True)
        self.w.read(at + 1, steers=True)
        self.at = value

    def direct(self, code: int, at: int) -> None:
        self.op(code, at)
        self.w.read(at)

    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        self.routine("fill")
        self.load(0, 0x50, base)
        top = self.w.pc
        for k in range(count):
            self.direct(0x96, 0x45)
            self.direct(0x98, 0x44)
            self.indexed_load(0xA7, base + k)
            self.dead()
            self.w.write(base + k, values[k])
            self.step(0x08)
            self.short(0x5A)
            self.branch(top, k < count - 1)

    def verify(self, base: int, count: int) -> None:
        self.routine("verify")
        self.load(0, 0x50, base)
        top = self.w.pc
        for k in range(count):
            self.indexed_load(0xA6, base + k)
            self.w.read(base + k)
            self.direct(0x91, 0x44)
            self.step(0x08)
            self.short(0x5A)
            self.branch(top, k < count - 1)

    def march(self, base: int, count: int, value: int, down: bool) -> None:
        self.routine("down" if down else "up")
        self.load(0, 0x50, base)
        top = self.w.pc
        for k in range(count):
            cell = base + (count - 1 - k if down else k)
            self.indexed_load(0xA6, cell)
            self.w.read(cell)
            self.direct(0x96, 0x44)
            self.indexed_load(0xA7, cell)
            self.dead()
            self.w.write(cell, value)
            self.step(0x09 if down else 0x08)
            self.branch(top, k < count - 1)

    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        name = f"vars{base:04X}"
        self.routine(name)
        picks = self.picks.setdefault(name, picks)
        for pick, value in zip(picks[:8], values[:8], strict=True):
            self.at = base + pick % count
            self.short(0x4C)
            self.op(0xB7, self.at >> 8, self.at & 0xFF)
            self.dead()
            self.w.write(self.at, value)
            self.op(0xB6, self.at >> 8, self.at & 0xFF)
            self.w.read(self.at)

    def copy(self, source: int, target: int, count: int) -> None:
        """One index register: it is changed for each byte, through two variables."""
        self.routine("copy")
        top = self.w.pc
        for k in range(min(count, 24)):
            value = self.w.memory.get(source + k, self.w.rom.get(source + k, 0))
            self.load(0, 0x50, source + k)
            self.indexed_load(0xA6, source + k)
            self.w.read(source + k)
            got = self.w.last_read
            self.load(0, 0x52, target + k)
            self.indexed_load(0xA7, target + k)
            self.dead()
            self.w.write(target + k, value, copied=got)
            self.short(0x5A)
            self.branch(top, k < min(count, 24) - 1)

    def stack_use(self, top: int, values: list[int]) -> None:
        self.routine("push")
        begin = self.w.pc
        for k, value in enumerate(values):
            self.short(0x36)
            self.w.write(top - k, value)
            self.at = top - k - 1
            self.dead()
            self.short(0x5A)
            self.branch(begin, k < len(values) - 1)
        begin = self.w.pc
        for k in reversed(range(len(values))):
            self.short(0x32)
            self.at = top - k - 1
            self.dead()
            self.w.read(top - k)
            self.short(0x5A)
            self.branch(begin, k > 0)

    def count_up(self, address: int, times: int) -> None:
        self.routine(f"inc{address:04X}")
        top = self.w.pc
        self.at = address
        for k in range(times):
            self.op(0x7C, address >> 8, address & 0xFF)
            old = self.w.read(address)
            got = self.w.last_read
            self.dead()
            self.w.write(address, (old + 1) & 0xFF, got, 1)
            self.short(0x5A)
            self.branch(top, k < times - 1)

    def outside(self, addresses: list[int]) -> None:
        for at in addresses[:4]:
            self.routine(f"out{at:04X}")
            self.op(0xB6, at >> 8, at & 0xFF)
            self.w.read(at)
