"""6502 instructions for the test programs (MCS6500 Programming Manual, opcode tables)."""

from __future__ import annotations

from .programs import Body, Window, Writer


class M6502Writer(Writer):
    """A pointer in page zero walks, X counts; errors are counted in page zero, or end in a report loop."""

    pointer, other = 0x10, 0x12

    def begin(self, stack: int) -> None:
        a = self.a
        a.put(0x78, 0xD8, 0xA2, stack & 0xFF, 0x9A, 0xA0, 0x00, 0x84, 0x20, 0x4C, "=setup")
        a.label("trap")
        a.put(0xE6, 0x20, 0xAD, 0x00, 0xC0, 0x4C, "=trap")
        a.label("irq")
        a.put(0x48, 0xE6, 0x21, 0xD0, 0x02, 0xE6, 0x22, 0x68, 0x40)
        a.label("setup")

    def end(self, vectors: bool) -> None:
        self.a.put(0x4C, "=main")

    def error(self) -> None:
        """A test found Z clear."""
        self.a.put(0xF0, 0x03, *((0x4C, "=trap") if self.stop else (0xEE, 0x20, 0x00)))

    def load(self, zero: int, address: int) -> None:
        """Set a pointer in page zero."""
        self.a.put(0xA9, address & 0xFF, 0x85, zero, 0xA9, address >> 8 & 0xFF, 0x85, zero + 1)

    def each(self, window: Window, body: Body) -> None:
        a, again = self.a, self.a.fresh()
        self.load(self.pointer, window.start)
        a.put(0xA2, window.count & 0xFF, 0xA0, 0x00)
        a.label(again)
        body()
        step = window.step & 0xFFFF
        a.put(0x18, 0xA5, self.pointer, 0x69, step & 0xFF, 0x85, self.pointer)
        a.put(0xA5, self.pointer + 1, 0x69, step >> 8, 0x85, self.pointer + 1)
        skip = a.fresh()
        a.put(0xCA, 0xF0, f"~{skip}", 0x4C, f"={again}")
        a.label(skip)

    def put(self, value: int) -> None:
        self.a.put(0xA9, value, 0x91, self.pointer)

    def check(self, value: int) -> None:
        self.a.put(0xB1, self.pointer, 0xC9, value)
        self.error()

    def put_address(self) -> None:
        self.a.put(0xA5, self.pointer, 0x45, self.pointer + 1, 0x91, self.pointer)

    def check_address(self) -> None:
        self.a.put(0xA5, self.pointer, 0x45, self.pointer + 1, 0xD1, self.pointer)
        self.error()

    def walk(self) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0xA9, 0x01)
        a.label(again)
        a.put(0x91, self.pointer, 0xD1, self.pointer)
        self.error()
        a.put(0x0A, 0xD0, f"~{again}")

    def put_at(self, address: int, value: int) -> None:
        self.a.put(0xA9, value, 0x8D, *self.a.word(address))

    def check_at(self, address: int, value: int) -> None:
        self.a.put(0xAD, *self.a.word(address), 0xC9, value)
        self.error()

    def copy(self, source: int, to: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0xA2, 0x00)
        a.label(again)
        a.put(0xBD, *a.word(source), 0x9D, *a.word(to), 0xE8, 0xE0, count, 0xD0, f"~{again}")

    def compare(self, source: int, to: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0xA2, 0x00)
        a.label(again)
        a.put(0xBD, *a.word(source), 0xDD, *a.word(to))
        self.error()
        a.put(0xE8, 0xE0, count, 0xD0, f"~{again}")

    def sort(self, start: int, count: int) -> None:
        a, turn, again, keep = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0xA0, count - 1)
        a.label(turn)
        a.put(0xA2, 0x00)
        a.label(again)
        a.put(0xBD, *a.word(start), 0xDD, *a.word(start + 1), 0x90, f"~{keep}", 0x48, 0xBD, *a.word(start + 1))
        a.put(0x9D, *a.word(start), 0x68, 0x9D, *a.word(start + 1))
        a.label(keep)
        a.put(0xE8, 0xE0, count - 1, 0xD0, f"~{again}", 0x88, 0xD0, f"~{turn}")

    def recurse(self, depth: int) -> None:
        a, deep, out, end = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0xA2, depth, 0x20, f"={deep}", 0x4C, f"={end}")
        a.label(deep)
        a.put(0xCA, 0xF0, f"~{out}", 0x8A, 0x48, 0x20, f"={deep}", 0x68, 0xAA)
        a.label(out)
        a.put(0x60)
        a.label(end)

    def idle(self, turns: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x58, 0xA2, turns)
        a.label(again)
        a.put(0xE6, 0x23, 0xD0, 0x02, 0xE6, 0x24, 0xAD, 0x00, 0xC0, 0xA5, 0x23, 0xCA, 0xD0, f"~{again}")

    def add_up(self, start: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0xA9, 0x00, 0xA8, 0x18)
        a.label(again)
        a.put(0x79, *a.word(start), 0xC8, 0xC0, count, 0xD0, f"~{again}", 0x85, 0x25)

    def modify(self, at: int) -> None:
        """A routine in RAM that counts up its own operand."""
        a, source, skip = self.a, self.a.fresh(), self.a.fresh()
        a.put(0x4C, f"={skip}")
        a.label(source)
        here = a.here
        routine = (0xA9, 0x00, 0xEE, *a.word(at + 1), 0x60)
        a.put(*routine)
        a.label(skip)
        self.copy(here, at, len(routine))
        a.put(*(0x20, *a.word(at)) * 6)

    def spool(self, start: int, turns: int) -> None:
        """A ring of 16 bytes: a byte in at the head, one out at the tail to the printer's port."""
        a, again = self.a, self.a.fresh()
        a.put(0xA0, turns, 0xA9, 0x00, 0x85, 0x26)
        a.label(again)
        a.put(0xA5, 0x26, 0x18, 0x69, 0x01, 0x29, 0x0F, 0x85, 0x26, 0xAA, 0x98, 0x9D, *a.word(start))
        a.put(0xA6, 0x26, 0xBD, *a.word(start), 0x8D, 0x01, 0xC0, 0x88, 0xD0, f"~{again}")
