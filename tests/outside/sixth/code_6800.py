"""6800 instructions for the test programs (Motorola M6800 Programming Reference Manual, opcode tables)."""

from __future__ import annotations

from .programs import Body, Window, Writer


class M6800Writer(Writer):
    """X points, a copy of it and a count lie in RAM; errors are counted there, or end in a report loop."""

    def begin(self, stack: int) -> None:
        a, s = self.a, self.scratch
        self.ptr, self.count, self.errors, self.tick, self.num, self.head = s, s + 2, s + 3, s + 4, s + 6, s + 8
        self.x2 = s + 10
        a.put(0x0F, 0x8E, *a.word(stack), 0x7F, *a.word(self.errors), 0x7E, "=setup")
        a.label("trap")
        a.put(0x7C, *a.word(self.errors), 0xB6, *a.word(0x8008), 0x20, 0xF8)
        a.label("irq")
        a.put(0x7C, *a.word(self.tick), 0x3B)
        a.label("setup")

    def end(self, vectors: bool) -> None:
        self.a.put(0x7E, "=main")

    def error(self) -> None:
        """A test found Z clear."""
        self.a.put(0x27, 0x03, *((0x7E, "=trap") if self.stop else (0x7C, *self.a.word(self.errors))))

    def each(self, window: Window, body: Body) -> None:
        a, again, out = self.a, self.a.fresh(), self.a.fresh()
        a.put(0xCE, *a.word(window.start & 0xFFFF), 0x86, window.count & 0xFF, 0xB7, *a.word(self.count))
        a.label(again)
        body()
        if abs(window.step) <= 3:
            a.put(*[0x08 if window.step > 0 else 0x09] * abs(window.step))
        else:
            step, p = window.step & 0xFFFF, self.ptr
            a.put(0xFF, *a.word(p), 0xB6, *a.word(p + 1), 0x8B, step & 0xFF, 0xB7, *a.word(p + 1))
            a.put(0xB6, *a.word(p), 0x89, step >> 8, 0xB7, *a.word(p), 0xFE, *a.word(p))
        a.put(0x7A, *a.word(self.count), 0x27, f"~{out}", 0x7E, f"={again}")
        a.label(out)

    def put(self, value: int) -> None:
        self.a.put(0x86, value, 0xA7, 0x00)

    def check(self, value: int) -> None:
        self.a.put(0xA6, 0x00, 0x81, value)
        self.error()

    def folded(self) -> None:
        """Fold the pointer into A."""
        a = self.a
        a.put(0xFF, *a.word(self.ptr), 0xB6, *a.word(self.ptr), 0xB8, *a.word(self.ptr + 1))

    def put_address(self) -> None:
        self.folded()
        self.a.put(0xA7, 0x00)

    def check_address(self) -> None:
        self.folded()
        self.a.put(0xA1, 0x00)
        self.error()

    def walk(self) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x86, 0x01)
        a.label(again)
        a.put(0xA7, 0x00, 0xA1, 0x00)
        self.error()
        a.put(0x48, 0x26, f"~{again}")

    def put_at(self, address: int, value: int) -> None:
        self.a.put(0xC6, value, 0xF7, *self.a.word(address))

    def check_at(self, address: int, value: int) -> None:
        self.a.put(0xF6, *self.a.word(address), 0xC1, value)
        self.error()

    def both(self, source: int, to: int, count: int, at_to: tuple[int, ...], check: bool) -> None:
        """Go over two areas at once: load from the one, do something at the other."""
        a, again = self.a, self.a.fresh()
        a.put(0xCE, *a.word(source), 0xFF, *a.word(self.ptr), 0xCE, *a.word(to), 0xFF, *a.word(self.x2), 0xC6, count)
        a.label(again)
        a.put(0xFE, *a.word(self.ptr), 0xA6, 0x00, 0x08, 0xFF, *a.word(self.ptr), 0xFE, *a.word(self.x2), *at_to)
        if check:
            self.error()
        a.put(0x08, 0xFF, *a.word(self.x2), 0x5A, 0x26, f"~{again}")

    def copy(self, source: int, to: int, count: int) -> None:
        self.both(source, to, count, (0xA7, 0x00), False)

    def compare(self, source: int, to: int, count: int) -> None:
        self.both(source, to, count, (0xA1, 0x00), True)

    def sort(self, start: int, count: int) -> None:
        a, turn, again, keep = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0x86, count - 1, 0xB7, *a.word(self.count))
        a.label(turn)
        a.put(0xCE, *a.word(start))
        a.label(again)
        a.put(0xA6, 0x00, 0xE6, 0x01, 0x11, 0x25, f"~{keep}", 0xA7, 0x01, 0xE7, 0x00)
        a.label(keep)
        a.put(0x08, 0x8C, *a.word(start + count - 1), 0x26, f"~{again}", 0x7A, *a.word(self.count), 0x26, f"~{turn}")

    def recurse(self, depth: int) -> None:
        a, deep, out, end = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0xC6, depth, 0xBD, f"={deep}", 0x7E, f"={end}")
        a.label(deep)
        a.put(0x5A, 0x27, f"~{out}", 0x36, 0x37, 0xBD, f"={deep}", 0x33, 0x32)
        a.label(out)
        a.put(0x39)
        a.label(end)

    def idle(self, turns: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x0E, 0xC6, turns)
        a.label(again)
        a.put(0xFE, *a.word(self.num), 0x08, 0xFF, *a.word(self.num), 0xB6, *a.word(0x8008), 0x5A, 0x26, f"~{again}")

    def add_up(self, start: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0xCE, *a.word(start), 0x4F)
        a.label(again)
        a.put(0xAB, 0x00, 0x08, 0x8C, *a.word(start + count), 0x26, f"~{again}", 0xB7, *a.word(self.num))

    def modify(self, at: int) -> None:
        """A routine in RAM that counts up its own operand."""
        a, source, skip = self.a, self.a.fresh(), self.a.fresh()
        a.put(0x7E, f"={skip}")
        a.label(source)
        here = a.here
        routine = (0x86, 0x00, 0x7C, *a.word(at + 1), 0x39)
        a.put(*routine)
        a.label(skip)
        self.copy(here, at, len(routine))
        a.put(*(0xBD, *a.word(at)) * 6)

    def spool(self, start: int, turns: int) -> None:
        """A line of bytes in at one end, out at the other to the printer's port."""
        a, again, more = self.a, self.a.fresh(), self.a.fresh()
        a.put(0xCE, *a.word(start), 0xC6, turns)
        a.label(again)
        a.put(0xE7, 0x00, 0x08, 0x5A, 0x26, f"~{again}", 0xCE, *a.word(start), 0xC6, turns)
        a.label(more)
        a.put(0xA6, 0x00, 0xB7, *a.word(0x8009), 0x08, 0x5A, 0x26, f"~{more}")
