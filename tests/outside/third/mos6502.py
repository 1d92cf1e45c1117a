"""Programs of a 6502, cycle by cycle as the MCS6500 Hardware Manual's appendix A tells them, dummy reads included."""

from __future__ import annotations

from tests.outside.third.accesses import FullError, Processor, Writer


class Mos6502(Processor):
    """Loops through (pointer),Y; the pointers lie in zero page, in the machine's own memory."""

    POINTER, VALUE, POINTER2 = 0x40, 0x44, 0x46

    def __init__(self, writer: Writer, start: int, work: int) -> None:
        super().__init__(writer, start, work)
        self.entries: dict[str, int] = {}
        self.picks: dict[str, list[int]] = {}
        self.free = start + 0x100  # the first page holds the table
        self.limit = start + 0x7E0
        for name in ("set", "fill", "verify", "up", "down", "copy", "set2", "push", "pop"):
            self.routine(name)

    def routine(self, name: str) -> None:
        """Goes on at the routine's place in ROM: the same code stands at the same place each time."""
        if name not in self.entries:
            if self.free + 0x80 > self.limit:
                raise FullError(name)
            self.entries[name] = self.free
            self.free += 0x80
        if self.w.rows and self.w.pc != self.entries[name]:
            # JMP (vector): the dispatcher leaves the next routine's address in zero page
            target = self.entries[name]
            self.sta_zp(0x60, target & 0xFF)
            self.sta_zp(0x61, target >> 8)
            self.op(0x6C, 0x60, 0x00)
            self.w.read(0x60, steers=True)
            self.w.read(0x61, steers=True)
        self.w.pc = self.entries[name]

    # instructions -------------------------------------------------------------------------------------------------
    def op(self, *code: int) -> None:
        self.w.fetch(code[0], opcode=True)
        for byte in code[1:]:
            self.w.fetch(byte)

    def implied(self, code: int) -> None:
        self.op(code)
        self.w.peek()

    def lda_zp(self, at: int) -> None:
        self.op(0xA5, at)
        self.w.read(at)

    def sta_zp(self, at: int, value: int) -> None:
        self.op(0x85, at)
        self.w.write(at, value)

    def inc_zp(self, at: int) -> None:
        self.op(0xE6, at)
        old = self.w.read(at)
        self.w.write(at, old, self.w.last_read)
        self.w.write(at, (old + 1) & 0xFF, self.w.last_read, 1)

    def through(self, code: int, pointer: int, address: int, store: int | None = None, **copy: int) -> None:
        """LDA/STA (pointer),Y that never crosses a page: pointers are page aligned."""
        self.op(code, pointer)
        self.w.read(pointer, steers=True)
        self.w.read(pointer + 1, steers=True)
        self.w.read(address)
        if store is not None:
            self.w.write(address, store, **copy)

    def branch(self, back: int, taken: bool) -> None:
        at = self.w.pc + 2
        self.op(0xD0, (back - at) & 0xFF)
        if taken:
            self.w.peek()  # the opcode that follows, thrown away
            if (at ^ back) & 0xFF00:
                self.w.other(0, (at & 0xFF00) | (back & 0xFF))
            self.w.pc = back

    def immediate(self, code: int, value: int) -> None:
        self.op(code, value)

    def points(self, pointer: int, address: int, name: str) -> None:
        # code of its own would fill the ROM: the caller leaves low byte, page and offset in variables
        self.routine(name)
        for at, value in ((0x50, 0), (0x51, address >> 8), (0x52, address & 0xFF)):
            self.sta_zp(at, value)
        self.lda_zp(0x50)
        self.sta_zp(pointer, 0)
        self.lda_zp(0x51)
        self.sta_zp(pointer + 1, address >> 8)
        self.op(0xA4, 0x52)
        self.w.read(0x52)

    # programs -----------------------------------------------------------------------------------------------------
    def _blocks(self, base: int, count: int) -> list[tuple[int, int]]:
        out = []
        while count > 0:
            part = min(count, 0x100 - (base & 0xFF))
            out.append((base, part))
            base, count = base + part, count - part
        return out

    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        done = 0
        for at, part in self._blocks(base, count):
            self.points(self.POINTER, at, "set")
            self.routine("fill")
            top = self.w.pc
            for k in range(part):
                self.op(0xB9, self.table & 0xFF, self.table >> 8)  # LDA table,Y
                self.w.read(self.table + ((at + k) & 0xFF))
                self.op(0x45, self.VALUE)  # EOR twist: the value of this pass
                self.w.read(self.VALUE)
                self.through(0x91, self.POINTER, at + k, values[done])
                self.implied(0xC8)
                self.branch(top, k < part - 1)
                done += 1

    def verify(self, base: int, count: int) -> None:
        for at, part in self._blocks(base, count):
            self.points(self.POINTER, at, "set")
            self.routine("verify")
            top = self.w.pc
            for k in range(part):
                self.through(0xB1, self.POINTER, at + k)
                self.op(0xC5, self.VALUE)
                self.w.read(self.VALUE)
                self.implied(0xC8)
                self.branch(top, k < part - 1)

    def march(self, base: int, count: int, value: int, down: bool) -> None:
        blocks = self._blocks(base, count)
        for at, part in reversed(blocks) if down else blocks:
            self.points(self.POINTER, at, "set")
            self.routine("down" if down else "up")
            top = self.w.pc
            for k in range(part):
                cell = at + (part - 1 - k if down else k)
                self.through(0xB1, self.POINTER, cell)
                self.op(0xA5, self.VALUE)
                self.w.read(self.VALUE)
                self.through(0x91, self.POINTER, cell, value)
                self.implied(0x88 if down else 0xC8)
                self.branch(top, k < part - 1)

    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        # LDA #n / STA abs / LDA abs, straight code laid down once for these picks
        name = f"vars{base:04X}"
        self.routine(name)
        picks = self.picks.setdefault(name, picks)
        for pick, value in zip(picks[:8], values[:8], strict=True):
            at = base + pick % count
            self.lda_zp(0x53)
            self.op(0x8D, at & 0xFF, at >> 8)
            self.w.write(at, value)
            self.op(0xAD, at & 0xFF, at >> 8)
            self.w.read(at)

    def copy(self, source: int, target: int, count: int) -> None:
        count = min(count, 0x100 - (source & 0xFF), 0x100 - (target & 0xFF))
        self.points(self.POINTER, source, "set")
        self.points(self.POINTER2, target, "set2")
        self.routine("copy")
        top = self.w.pc
        for k in range(count):
            value = self.w.memory.get(source + k, self.w.rom.get(source + k, 0))
            self.through(0xB1, self.POINTER, source + k)
            got = self.w.last_read
            self.through(0x91, self.POINTER2, target + k, value, copied=got)
            self.implied(0xC8)
            self.branch(top, k < count - 1)

    def stack_use(self, top: int, values: list[int]) -> None:
        """The 6502's stack is page 1: ``top`` is not asked."""
        self.routine("push")
        at = 0x1F0
        begin = self.w.pc
        for k, value in enumerate(values):
            self.implied(0x48)
            self.w.write(at - k, value)
            self.implied(0xCA)
            self.branch(begin, k < len(values) - 1)
        self.routine("pop")
        begin = self.w.pc
        for k in reversed(range(len(values))):
            self.implied(0x68)
            self.w.read(at - k - 1)
            self.w.read(at - k)
            self.implied(0xCA)
            self.branch(begin, k > 0)

    def count_up(self, address: int, times: int) -> None:
        self.routine(f"inc{address:04X}")
        top = self.w.pc
        value = self.w.memory.get(address, None)
        for k in range(times):
            self.op(0xEE, address & 0xFF, address >> 8)
            self.w.read(address)
            got = self.w.last_read
            if value is None:  # nobody wrote it: what is there is what is read, and passed on
                value = 0
            self.w.write(address, value, got)
            value = (value + 1) & 0xFF
            self.w.write(address, value, got, 1)
            self.implied(0xCA)
            self.branch(top, k < times - 1)

    def outside(self, addresses: list[int]) -> None:
        for at in addresses[:4]:
            self.routine(f"out{at:04X}")
            self.op(0xAD, at & 0xFF, at >> 8)
            self.w.read(at)
