"""A small 6800: the instructions that the test programs use, and whatever else a machine run wild may meet.

Opcode map and cycle counts after the Motorola M6800 Programming Reference Manual; undefined codes pass as NOPs.
Each access goes through `read`, `write` or `idle` (a cycle with VMA low), in the order of the cycle table.
"""

from __future__ import annotations

from collections.abc import Callable


class Core6800:
    """Registers, flags, and one instruction at a time."""

    def __init__(
        self, read: Callable[[int], int], write: Callable[[int, int], None], idle: Callable[[int], None]
    ) -> None:
        self.read, self.write, self.idle = read, write, idle
        self.a = self.b = self.x = self.pc = 0
        self.sp = 0xFF
        self.n = self.z = self.v = self.c = self.h = False
        self.i = True

    def next(self) -> int:
        """Read the byte at the program counter."""
        value = self.read(self.pc)
        self.pc = (self.pc + 1) & 0xFFFF
        return value

    def next_word(self) -> int:
        """Read two bytes, high first."""
        high = self.next()
        return high << 8 | self.next()

    def push(self, value: int) -> None:
        """Store at the stack pointer, then step down."""
        self.write(self.sp, value)
        self.sp = (self.sp - 1) & 0xFFFF

    def pull(self) -> int:
        """Step up, then load."""
        self.sp = (self.sp + 1) & 0xFFFF
        return self.read(self.sp)

    def flags(self, value: int, wide: bool = False) -> None:
        """Set N and Z, clear V."""
        top = 0x8000 if wide else 0x80
        self.n, self.z, self.v = bool(value & top), value == 0, False

    def status(self) -> int:
        """Pack the condition codes."""
        return 0xC0 | self.h << 5 | self.i << 4 | self.n << 3 | self.z << 2 | self.v << 1 | self.c

    def restore(self, value: int) -> None:
        """Unpack the condition codes."""
        self.h, self.i, self.n, self.z = (bool(value >> s & 1) for s in (5, 4, 3, 2))
        self.v, self.c = bool(value & 2), bool(value & 1)

    def interrupt(self) -> bool:
        """Take an interrupt request if it is let in: seven pushes, then the vector at FFF8."""
        if self.i:
            return False
        for value in (self.pc & 0xFF, self.pc >> 8, self.x & 0xFF, self.x >> 8, self.a, self.b, self.status()):
            self.push(value)
        self.i = True
        self.idle(self.sp)
        self.pc = self.read(0xFFF8) << 8 | self.read(0xFFF9)
        return True

    def add(self, one: int, two: int, carry: int) -> int:
        """Add with all flags."""
        total = one + two + carry
        self.h = (one & 15) + (two & 15) + carry > 15
        self.c = total > 255
        total &= 255
        over = bool((one ^ total) & (two ^ total) & 0x80)
        self.flags(total)
        self.v = over
        return total

    def subtract(self, one: int, two: int, carry: int) -> int:
        """Subtract with all flags."""
        total = one - two - carry
        self.c = total < 0
        total &= 255
        over = bool((one ^ two) & (one ^ total) & 0x80)
        self.flags(total)
        self.v = over
        return total

    def step(self) -> None:
        """Run one instruction."""
        op = self.next()
        if op >= 0x80:
            self.two_operand(op)
        elif op >= 0x40:
            self.one_operand(op)
        elif op >= 0x30:
            self.stack(op)
        elif op >= 0x20:
            self.branch(op)
        else:
            self.inherent(op)

    def address(self, mode: int) -> int:
        """Give the operand's address: 0 immediate, 1 direct, 2 indexed, 3 extended."""
        if mode == 1:
            return self.next()
        if mode == 2:
            at = (self.x + self.next()) & 0xFFFF
            self.idle(self.x)
            self.idle(at)
            return at
        if mode == 3:
            return self.next_word()
        at = self.pc
        self.pc = (self.pc + 1) & 0xFFFF
        return at

    def two_operand(self, op: int) -> None:
        """Codes 80 to FF: accumulator with operand, and the sixteen-bit ones."""
        mode, what, second = op >> 4 & 3, op & 15, op >= 0xC0
        if what in (12, 14):
            if mode == 0:
                value = self.next_word()
            else:
                at = self.address(mode)
                value = self.read(at) << 8 | self.read((at + 1) & 0xFFFF)
            if what == 12:
                if not second:
                    self.flags((self.x - value) & 0xFFFF, True)
                return
            self.flags(value, True)
            if second:
                self.x = value
            else:
                self.sp = value
            return
        if what == 15:
            at = self.address(mode)
            self.idle(at)
            value = self.x if second else self.sp
            self.write(at, value >> 8)
            self.write((at + 1) & 0xFFFF, value & 0xFF)
            self.flags(value, True)
            return
        if what == 13:
            if second:
                return
            to = self.next() if mode == 0 else self.address(mode)
            self.idle(self.pc)
            if mode == 0:
                to = (self.pc + (to - 256 if to > 127 else to)) & 0xFFFF
            self.push(self.pc & 0xFF)
            self.push(self.pc >> 8)
            self.idle(self.sp)
            self.pc = to
            return
        at = self.address(mode)
        held = self.b if second else self.a
        if what == 7:
            self.idle(at)
            self.write(at, held)
            self.flags(held)
            return
        value = self.read(at)
        if what in (0, 1, 2):
            result = self.subtract(held, value, int(self.c) if what == 2 else 0)
        elif what in (9, 11):
            result = self.add(held, value, int(self.c) if what == 9 else 0)
        else:
            result = {4: held & value, 5: held & value, 6: value, 8: held ^ value, 10: held | value}.get(what, held)
            self.flags(result)
        if what not in (1, 3, 5):
            if second:
                self.b = result
            else:
                self.a = result

    def one_operand(self, op: int) -> None:
        """Codes 40 to 7F: on an accumulator or on memory."""
        mode, what = op >> 4 & 3, op & 15
        if mode < 2:
            held = self.b if mode else self.a
            self.idle(self.pc)
            at = -1
        else:
            at = self.address(mode)
            if what == 14:
                self.pc = at
                return
            held = self.read(at)
            self.idle(at)
        carry = self.c
        if what == 13:
            self.flags(held)
            return
        if what in (4, 6, 7):
            result = held >> 1 | (carry << 7 if what == 6 else held & 0x80 if what == 7 else 0)
            self.c = bool(held & 1)
            self.flags(result)
        elif what in (8, 9):
            result = (held << 1 | (carry if what == 9 else 0)) & 0xFF
            self.c = bool(held & 0x80)
            self.flags(result)
        else:
            result = {0: -held, 3: ~held, 10: held - 1, 12: held + 1, 15: 0}.get(what, held) & 0xFF
            self.flags(result)
            if what in (0, 3, 15):
                self.c = what == 3 or (what == 0 and result != 0)
        if at >= 0:
            self.write(at, result)
        elif mode:
            self.b = result
        else:
            self.a = result

    def stack(self, op: int) -> None:
        """Codes 30 to 3F: the stack."""
        self.idle(self.sp)
        if op == 0x32:
            self.a = self.pull()
        elif op == 0x33:
            self.b = self.pull()
        elif op == 0x36:
            self.push(self.a)
        elif op == 0x37:
            self.push(self.b)
        elif op == 0x39:
            high = self.pull()
            self.pc = high << 8 | self.pull()
        elif op == 0x3B:
            self.restore(self.pull())
            self.b, self.a = self.pull(), self.pull()
            self.x = self.pull() << 8 | self.pull()
            self.pc = self.pull() << 8 | self.pull()
        elif op in (0x31, 0x34):
            self.sp = (self.sp + (1 if op == 0x31 else -1)) & 0xFFFF
        elif op in (0x30, 0x35):
            self.x, self.sp = ((self.sp + 1) & 0xFFFF, self.sp) if op == 0x30 else (self.x, (self.x - 1) & 0xFFFF)

    def branch(self, op: int) -> None:
        """Codes 20 to 2F: on conditions."""
        to = self.next()
        self.idle(self.pc)
        self.idle(self.pc)
        less = self.n != self.v
        tests = (True, self.c or self.z, self.c, self.z, self.v, self.n, less, self.z or less)
        even = (op & 15) >> 1
        take = (op == 0x20) if even == 0 else tests[even] == bool(op & 1)
        if take:
            self.pc = (self.pc + (to - 256 if to > 127 else to)) & 0xFFFF

    def inherent(self, op: int) -> None:
        """Codes 00 to 1F."""
        self.idle(self.pc)
        if op in (0x08, 0x09):
            self.x = (self.x + (1 if op == 0x08 else -1)) & 0xFFFF
            self.z = self.x == 0
        elif op in (0x0C, 0x0D):
            self.c = op == 0x0D
        elif op in (0x0E, 0x0F):
            self.i = op == 0x0F
        elif op == 0x16:
            self.b = self.a
            self.flags(self.a)
        elif op == 0x17:
            self.a = self.b
            self.flags(self.b)
        elif op in (0x10, 0x11):
            result = self.subtract(self.a, self.b, 0)
            self.a = result if op == 0x10 else self.a
        elif op == 0x1B:
            self.a = self.add(self.a, self.b, 0)
