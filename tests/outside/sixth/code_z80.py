"""Z80 instructions for the test programs (Zilog Z80 CPU User Manual, opcode tables)."""

from __future__ import annotations

from .programs import Body, Window, Writer


class Z80Writer(Writer):
    """HL points, DE steps, B counts; errors go out by port 1, or stop the machine in a report loop."""

    def begin(self, stack: int) -> None:
        a = self.a
        a.put(0xF3, 0x31, *a.word(stack), 0xED, 0x56, 0xC3, "=setup")  # DI; LD SP; IM 1; JP
        a.code += bytes(0x38 - len(a.code))
        a.put(0xF5, 0x3A, *a.word(self.scratch), 0x3C, 0x32, *a.word(self.scratch), 0xF1, 0xFB, 0xED, 0x4D)
        a.label("trap")
        a.put(0xD3, 0x01, 0xDB, 0x02, 0xB7, 0x18, 0xF9)  # OUT (1),A; IN A,(2); OR A; JR trap
        a.label("setup")

    def end(self, vectors: bool) -> None:
        self.a.put(0xC3, "=main")

    def error(self) -> None:
        """A test found Z clear."""
        if self.stop:
            self.a.put(0xC2, "=trap")
        else:
            self.a.put(0x28, 0x02, 0xD3, 0x01)

    def each(self, window: Window, body: Body) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x21, *a.word(window.start & 0xFFFF), 0x11, *a.word(window.step & 0xFFFF), 0x06, window.count & 0xFF)
        a.label(again)
        body()
        a.put(0x19, 0x05, 0xC2, f"={again}")

    def put(self, value: int) -> None:
        self.a.put(0x36, value)

    def check(self, value: int) -> None:
        self.a.put(0x7E, 0xFE, value)
        self.error()

    def put_address(self) -> None:
        self.a.put(0x7D, 0xAC, 0x77)

    def check_address(self) -> None:
        self.a.put(0x7D, 0xAC, 0xBE)
        self.error()

    def walk(self) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x3E, 0x01)
        a.label(again)
        a.put(0x77, 0xBE)
        self.error()
        a.put(0x87, 0xD2, f"={again}")  # ADD A,A; JP NC

    def put_at(self, address: int, value: int) -> None:
        self.a.put(0x3E, value, 0x32, *self.a.word(address))

    def check_at(self, address: int, value: int) -> None:
        self.a.put(0x3A, *self.a.word(address), 0xFE, value)
        self.error()

    def copy(self, source: int, to: int, count: int) -> None:
        a = self.a
        a.put(0x21, *a.word(source), 0x11, *a.word(to), 0x01, *a.word(count), 0xED, 0xB0)  # LDIR

    def compare(self, source: int, to: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x21, *a.word(source), 0x11, *a.word(to), 0x06, count)
        a.label(again)
        a.put(0x1A, 0xBE)
        self.error()
        a.put(0x23, 0x13, 0x05, 0xC2, f"={again}")

    def sort(self, start: int, count: int) -> None:
        a, turn, again, keep = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0x0E, count - 1)
        a.label(turn)
        a.put(0x21, *a.word(start), 0x41)
        a.label(again)
        a.put(0x7E, 0x23, 0xBE, 0x38, f"~{keep}", 0x56, 0x77, 0x2B, 0x72, 0x23)  # swap through D
        a.label(keep)
        a.put(0x05, 0xC2, f"={again}", 0x0D, 0xC2, f"={turn}")

    def recurse(self, depth: int) -> None:
        a, deep, out, end = self.a, self.a.fresh(), self.a.fresh(), self.a.fresh()
        a.put(0x06, depth, 0xCD, f"={deep}", 0xC3, f"={end}")
        a.label(deep)
        a.put(0x05, 0x28, f"~{out}", 0xC5, 0xE5, 0xCD, f"={deep}", 0xE1, 0xC1)
        a.label(out)
        a.put(0xC9)
        a.label(end)

    def idle(self, turns: int) -> None:
        a, again = self.a, self.a.fresh()
        v = self.scratch + 2
        a.put(0xFB, 0x06, turns)  # EI
        a.label(again)
        a.put(0x2A, *a.word(v), 0x23, 0x22, *a.word(v), 0xDB, 0x02, 0x05, 0xC2, f"={again}")

    def add_up(self, start: int, count: int) -> None:
        a, again = self.a, self.a.fresh()
        a.put(0x21, *a.word(start), 0xAF, 0x06, count)
        a.label(again)
        a.put(0x86, 0x23, 0x05, 0xC2, f"={again}", 0x32, *a.word(self.scratch + 4))

    def modify(self, at: int) -> None:
        """A routine in RAM that counts up its own operand."""
        a, source, skip = self.a, self.a.fresh(), self.a.fresh()
        a.put(0xC3, f"={skip}")
        a.label(source)
        routine = (0x3E, 0x00, 0x21, *a.word(at + 1), 0x34, 0xC9)  # LD A,n; LD HL,n's place; INC (HL); RET
        a.put(*routine)
        a.label(skip)
        a.put(0x21, f"={source}", 0x11, *a.word(at), 0x01, *a.word(len(routine)), 0xED, 0xB0)
        a.put(*(0xCD, *a.word(at)) * 6)

    def spool(self, start: int, turns: int) -> None:
        """A ring of 16 bytes: a byte in at the head, one out at the tail to the printer's port."""
        a, again = self.a, self.a.fresh()
        head = self.scratch + 6
        a.put(0xAF, 0x32, *a.word(head), 0x06, turns)
        a.label(again)
        a.put(0x3A, *a.word(head), 0x3C, 0xE6, 0x0F, 0x32, *a.word(head), 0x21, *a.word(start), 0x85, 0x6F, 0x78, 0x77)
        a.put(0x3A, *a.word(head), 0x21, *a.word(start), 0x85, 0x6F, 0x7E, 0xD3, 0x05, 0x05, 0xC2, f"={again}")
