"""Programs of a 6809: cycle by cycle after Motorola's tables; where the bus is not needed FFFF stands on it."""

from __future__ import annotations

from tests.outside.third.accesses import DEAD, FullError, Processor, Writer


class Mc6809(Processor):
    """Loops through X and U; parameters come from the direct page, in the machine's own memory."""

    def __init__(self, writer: Writer, start: int, work: int) -> None:
        super().__init__(writer, start, work)
        self.entries: dict[str, int] = {}
        self.picks: dict[str, list[int]] = {}
        self.free = start + 0x100
        self.limit = start + 0x7E0
        for name in ("fill", "verify", "up", "down", "copy", "push"):
            self.routine(name)

    def routine(self, name: str) -> None:
        if name not in self.entries:
            if self.free + 0x80 > self.limit:
                raise FullError(name)
            self.entries[name] = self.free
            self.free += 0x80
        if self.w.rows and self.w.pc != self.entries[name]:
            self.jump_away()
        self.w.pc = self.entries[name]

    def jump_away(self) -> None:
        self.indexed(0x6E, 0xA4, step=False)  # JMP ,Y

    def op(self, *code: int) -> None:
        self.w.fetch(code[0])
        for byte in code[1:]:
            self.w.fetch(byte)

    def dead(self, times: int = 1) -> None:
        for _ in range(times):
            self.w.other(DEAD, 0xFFFF)

    def indexed(self, code: int, post: int, step: bool) -> None:
        """Opcode and postbyte, the byte after them read in vain; stepping takes two cycles more."""
        self.op(code, post)
        self.w.peek()
        self.dead(2 if step else 0)

    def direct(self, code: int, at: int) -> None:
        self.op(code, at)
        self.dead()
        self.w.read(at)

    def branch(self, back: int, taken: bool) -> None:
        self.op(0x26, (back - self.w.pc - 2) & 0xFF)
        self.dead()
        if taken:
            self.w.pc = back

    def short(self, code: int) -> None:
        self.op(code)
        self.w.peek()

    def load(self, code: int, at: int, value: int) -> None:
        """LDX or LDU from a variable, which STX left there."""
        self.op(code + 1, at)
        self.dead()
        self.w.write(at, value >> 8)
        self.w.write(at + 1, value & 0xFF)
        self.op(code, at)
        self.dead()
        self.w.read(at, steers=True)
        self.w.read(at + 1, steers=True)

    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        self.routine("fill")
        self.load(0x9E, 0x50, base)
        top = self.w.pc
        for k in range(count):
            self.indexed(0xA6, 0xC0, step=True)  # LDA ,U+
            self.w.read(self.table + ((base + k) & 0xFF))
            self.direct(0x98, 0x44)
            self.indexed(0xA7, 0x80, step=True)  # STA ,X+
            self.w.write(base + k, values[k])
            self.short(0x5A)
            self.branch(top, k < count - 1)

    def verify(self, base: int, count: int) -> None:
        self.routine("verify")
        self.load(0x9E, 0x50, base)
        top = self.w.pc
        for k in range(count):
            self.indexed(0xA6, 0x80, step=True)
            self.w.read(base + k)
            self.direct(0x91, 0x44)
            self.short(0x5A)
            self.branch(top, k < count - 1)

    def march(self, base: int, count: int, value: int, down: bool) -> None:
        self.routine("down" if down else "up")
        self.load(0x9E, 0x50, base)
        top = self.w.pc
        for k in range(count):
            cell = base + (count - 1 - k if down else k)
            self.indexed(0xA6, 0x84, step=False)
            self.w.read(cell)
            self.direct(0x96, 0x44)
            self.indexed(0xA7, 0x82 if down else 0x80, step=True)
            self.w.write(cell, value)
            self.branch(top, k < count - 1)

    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        name = f"vars{base:04X}"
        self.routine(name)
        picks = self.picks.setdefault(name, picks)
        for pick, value in zip(picks[:8], values[:8], strict=True):
            at = base + pick % count
            self.short(0x4C)
            self.op(0xB7, at >> 8, at & 0xFF)
            self.dead()
            self.w.write(at, value)
            self.op(0xB6, at >> 8, at & 0xFF)
            self.dead()
            self.w.read(at)

    def copy(self, source: int, target: int, count: int) -> None:
        self.routine("copy")
        self.load(0x9E, 0x50, source)
        self.load(0xDE, 0x52, target)
        top = self.w.pc
        for k in range(count):
            value = self.w.memory.get(source + k, self.w.rom.get(source + k, 0))
            self.indexed(0xA6, 0x80, step=True)
            self.w.read(source + k)
            got = self.w.last_read
            self.indexed(0xA7, 0xC0, step=True)
            self.w.write(target + k, value, copied=got)
            self.short(0x5A)
            self.branch(top, k < count - 1)

    def stack_use(self, top: int, values: list[int]) -> None:
        self.routine("push")
        begin = self.w.pc
        for k, value in enumerate(values):
            self.op(0x34, 0x02)
            self.dead(3)
            self.w.write(top - k, value)
            self.short(0x5A)
            self.branch(begin, k < len(values) - 1)
        begin = self.w.pc
        for k in reversed(range(len(values))):
            self.op(0x35, 0x02)
            self.dead(2)
            self.w.read(top - k)
            self.dead()
            self.short(0x5A)
            self.branch(begin, k > 0)

    def count_up(self, address: int, times: int) -> None:
        self.routine(f"inc{address:04X}")
        top = self.w.pc
        for k in range(times):
            self.op(0x7C, address >> 8, address & 0xFF)
            self.dead()
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
            self.dead()
            self.w.read(at)
