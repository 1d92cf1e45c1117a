"""Programs of a 68008: words of the program come as two bytes; memory is reached through address registers."""

from __future__ import annotations

from tests.outside.third.accesses import FETCH, FullError, Processor, Writer


class Mc68008(Processor):
    """No prefetch is drawn: without the function codes nobody can tell where a word was taken for."""

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
            if self.free + 0xA0 > self.limit:
                raise FullError(name)
            self.entries[name] = self.free
            self.free += 0xA0
        if self.w.rows and self.w.pc != self.entries[name]:
            self.op(0x4ED5)  # JMP (A5)
        self.w.pc = self.entries[name]

    def op(self, *words: int) -> None:
        for word in words:
            for byte in (word >> 8, word & 0xFF):
                held = self.w.rom.setdefault(self.w.pc, byte)
                assert held == byte
                self.w.other(FETCH, self.w.pc, byte, states=4)
                self.w.pc += 1

    def get(self, address: int, steers: bool = False) -> int:
        return self.w.read(address, steers=steers, states=4)

    def put(self, address: int, value: int, copied: int = -1, twist: int = 0) -> None:
        self.w.write(address, value, copied, twist, states=4)

    def begin(self, name: str, base: int) -> int:
        """MOVE.L A0,(work+32).L and MOVEA.L back: the address goes through memory, as parameters do."""
        self.routine(name)
        at = self.work + 0x20
        self.op(0x23C8, 0, at)
        for k in range(4):
            self.put(at + k, (base >> (24 - 8 * k)) & 0xFF)
        self.op(0x2079, 0, at)
        for k in range(4):
            self.get(at + k, steers=True)
        return self.w.pc

    def loop(self, top: int, taken: bool) -> None:
        self.op(0x51CB, (top - self.w.pc - 2) & 0xFFFF)  # DBRA D3
        if taken:
            self.w.pc = top

    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        top = self.begin("fill", base)
        for k in range(count):
            self.op(0x1219)  # MOVE.B (A1)+,D1: the table
            self.get(self.table + ((base + k) & 0xFF))
            self.op(0xB501)  # EOR.B D2,D1
            self.op(0x10C1)  # MOVE.B D1,(A0)+
            self.put(base + k, values[k])
            self.loop(top, k < count - 1)

    def verify(self, base: int, count: int) -> None:
        top = self.begin("verify", base)
        for k in range(count):
            self.op(0x1218)
            self.get(base + k)
            self.op(0xB202)
            self.loop(top, k < count - 1)

    def march(self, base: int, count: int, value: int, down: bool) -> None:
        top = self.begin("down" if down else "up", base)
        for k in range(count):
            cell = base + (count - 1 - k if down else k)
            self.op(0x1210)
            self.get(cell)
            self.op(0x1102 if down else 0x10C2)
            self.put(cell, value)
            self.loop(top, k < count - 1)

    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        name = f"vars{base:04X}"
        self.routine(name)
        picks = self.picks.setdefault(name, picks)
        for pick, value in zip(picks[:8], values[:8], strict=True):
            at = base + pick % count
            self.op(0x13C1, 0, at)
            self.put(at, value)
            self.op(0x1239, 0, at)
            self.get(at)

    def copy(self, source: int, target: int, count: int) -> None:
        top = self.begin("copy", source)
        for k in range(count):
            value = self.w.memory.get(source + k, self.w.rom.get(source + k, 0))
            self.op(0x12D8)  # MOVE.B (A0)+,(A1)+
            self.get(source + k)
            self.put(target + k, value, copied=self.w.last_read)
            self.loop(top, k < count - 1)

    def stack_use(self, top: int, values: list[int]) -> None:
        self.routine("push")
        at = top & ~1
        begin = self.w.pc
        for k, value in enumerate(values):
            self.op(0x3F01)
            self.put(at - 2 * k - 2, value ^ 0x5A)
            self.put(at - 2 * k - 1, value)
            self.loop(begin, k < len(values) - 1)
        begin = self.w.pc
        for k in reversed(range(len(values))):
            self.op(0x321F)
            self.get(at - 2 * k - 2)
            self.get(at - 2 * k - 1)
            self.loop(begin, k > 0)

    def count_up(self, address: int, times: int) -> None:
        self.routine(f"inc{address:04X}")
        top = self.w.pc
        for k in range(times):
            self.op(0x5239, 0, address)  # ADDQ.B #1,(xxx).L
            old = self.get(address)
            self.put(address, (old + 1) & 0xFF, self.w.last_read, 1)
            self.loop(top, k < times - 1)

    def outside(self, addresses: list[int]) -> None:
        for at in addresses[:4]:
            self.routine(f"out{at:04X}")
            self.op(0x1239, 0, at)
            self.get(at)
