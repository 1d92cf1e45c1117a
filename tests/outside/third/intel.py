"""Programs of a Z80, 8080 or 8085: the opcodes that they share, machine cycle by machine cycle, after the manuals.

Z80: ``states`` of an opcode fetch 4 to 6, memory 3, I/O 4. 8085: a conditional jump not taken leaves out its last byte.
"""

from __future__ import annotations

from tests.outside.third.accesses import IOR, IOW, FullError, Processor, Writer

LOOPS = ("fill", "verify", "up", "down", "copy", "push", "call")


class Intel(Processor):
    """Loops through HL; the pointers come from variables in the machine's own memory."""

    def __init__(self, writer: Writer, start: int, work: int, kind: str = "z80") -> None:
        super().__init__(writer, start, work)
        self.kind = kind
        self.entries: dict[str, int] = {}
        self.picks: dict[str, list[int]] = {}
        self.free = start + 0x100
        self.limit = start + 0x7E0
        self.ports = True
        for name in LOOPS:
            self.routine(name)

    def routine(self, name: str) -> None:
        if name not in self.entries:
            if self.free + 0x80 > self.limit:
                raise FullError(name)
            self.entries[name] = self.free
            self.free += 0x80
        if self.w.rows and self.w.pc != self.entries[name]:
            self.op(0xE9, states=4 if self.kind == "z80" else 5 if self.kind == "8080" else 6)  # JP (HL)
        self.w.pc = self.entries[name]

    def op(self, *code: int, states: int = 4) -> None:
        self.w.fetch(code[0], opcode=True, states=states)
        for byte in code[1:]:
            self.w.fetch(byte)

    def jump(self, top: int, taken: bool) -> None:
        if not taken and self.kind == "8085":
            self.op(0xC2, top & 0xFF)
            self.w.rom.setdefault(self.w.pc, top >> 8)
            self.w.pc += 1
        else:
            self.op(0xC2, top & 0xFF, top >> 8)
        if taken:
            self.w.pc = top

    def inx(self, code: int) -> None:
        self.op(code, states=5 if self.kind == "8080" else 6)

    def begin(self, name: str, base: int) -> int:
        """HL to ``base``, then the loop's top."""
        self.routine(name)
        at = self.work + 0x20
        self.op(0x22, at & 0xFF, at >> 8)
        self.w.write(at, base & 0xFF)
        self.w.write(at + 1, base >> 8)
        self.op(0x2A, at & 0xFF, at >> 8)
        self.w.read(at, steers=True)
        self.w.read(at + 1, steers=True)
        return self.w.pc

    def pattern_store(self, base: int, count: int, values: list[int]) -> None:
        top = self.begin("fill", base)
        for k in range(count):
            self.op(0x1A)  # LD A,(DE): a table
            self.w.read(self.table + ((base + k) & 0xFF))
            self.op(0xA8)  # XOR B
            self.op(0x77)
            self.w.write(base + k, values[k])
            self.inx(0x23)
            self.op(0x1C)
            self.inx(0x0B)
            self.jump(top, k < count - 1)

    def verify(self, base: int, count: int) -> None:
        top = self.begin("verify", base)
        for k in range(count):
            self.op(0x7E)
            self.w.read(base + k)
            self.op(0xB8)
            self.inx(0x23)
            self.jump(top, k < count - 1)

    def march(self, base: int, count: int, value: int, down: bool) -> None:
        top = self.begin("down" if down else "up", base)
        for k in range(count):
            cell = base + (count - 1 - k if down else k)
            self.op(0x7E)
            self.w.read(cell)
            self.op(0x70)
            self.w.write(cell, value)
            self.inx(0x2B if down else 0x23)
            self.jump(top, k < count - 1)

    def peek_poke(self, base: int, count: int, picks: list[int], values: list[int]) -> None:
        name = f"vars{base:04X}"
        self.routine(name)
        picks = self.picks.setdefault(name, picks)
        for pick, value in zip(picks[:8], values[:8], strict=True):
            at = base + pick % count
            self.op(0x79)
            self.op(0x32, at & 0xFF, at >> 8)
            self.w.write(at, value)
            self.op(0x3A, at & 0xFF, at >> 8)
            self.w.read(at)

    def copy(self, source: int, target: int, count: int) -> None:
        top = self.begin("copy", source)
        for k in range(count):
            value = self.w.memory.get(source + k, self.w.rom.get(source + k, 0))
            last = k == count - 1
            if self.kind == "z80":
                self.op(0xED)
                self.op(0xB0)
            else:
                self.op(0x7E)
            self.w.read(source + k)
            got = self.w.last_read
            if self.kind != "z80":
                self.op(0x12)
            self.w.write(target + k, value, copied=got, states=3 if self.kind != "z80" else 5 if last else 10)
            if self.kind == "z80":
                self.w.pc = self.w.pc if last else top
            else:
                self.inx(0x23)
                self.inx(0x13)
                self.jump(top, not last)

    def stack_use(self, top: int, values: list[int]) -> None:
        """A stack below ``top``: registers pushed and popped, and a subroutine called and left."""
        self.routine("push")
        begin = self.w.pc
        for k, value in enumerate(values):
            self.op(0xC5, states=5 if self.kind != "8085" else 6)
            self.w.write(top - 2 * k, value)
            self.w.write(top - 2 * k - 1, value ^ 0x3C)
            self.op(0x04)
            self.jump(begin, k < len(values) - 1)
        begin = self.w.pc
        for k in reversed(range(len(values))):
            self.op(0xD1)
            self.w.read(top - 2 * k - 1)
            self.w.read(top - 2 * k)
            self.op(0x05)
            self.jump(begin, k > 0)
        self.routine("call")
        begin, sub = self.w.pc, self.w.pc + 0x40
        for k in range(4):
            self.op(0xCD, sub & 0xFF, sub >> 8)
            back = self.w.pc
            self.w.write(top, back >> 8)
            self.w.write(top - 1, back & 0xFF)
            self.w.pc = sub
            self.op(0x00)
            self.op(0xC9)
            self.w.read(top - 1, steers=True)
            self.w.read(top, steers=True)
            self.w.pc = back
            self.jump(begin, k < 3)

    def count_up(self, address: int, times: int) -> None:
        self.routine(f"inc{address:04X}")
        self.op(0x21, address & 0xFF, address >> 8)
        top = self.w.pc
        for k in range(times):
            self.op(0x34)
            old = self.w.read(address, states=4)
            self.w.write(address, (old + 1) & 0xFF, self.w.last_read, 1)
            self.op(0x05)
            self.jump(top, k < times - 1)

    def outside(self, addresses: list[int]) -> None:
        for at in addresses[:4]:
            self.routine(f"out{at:04X}")
            self.op(0x3A, at & 0xFF, at >> 8)
            self.w.read(at)
            if self.ports:
                port = 0x10 + (at & 3)
                high = 0 if self.kind == "z80" else port
                self.op(0xDB, port)
                self.w.other(IOR, port | high << 8, 0, states=4 if self.kind == "z80" else 3)
                self.op(0xD3, port)
                self.w.other(IOW, port | high << 8, at & 0xFF, states=4 if self.kind == "z80" else 3)


def z80(writer: Writer, start: int, work: int) -> Processor:
    return Intel(writer, start, work, "z80")


def i8085(writer: Writer, start: int, work: int) -> Processor:
    return Intel(writer, start, work, "8085")


def i8080(writer: Writer, start: int, work: int) -> Processor:
    return Intel(writer, start, work, "8080")
