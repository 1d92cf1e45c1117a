"""A 6800 and a 6809 that know the instructions of the test programs, for want of a packaged 6800.

What an instruction is, capstone says from its bytes; what it does and how long it takes is typed from the M6800
Programming Reference Manual (1976) and the MC6809 Programming Manual (1981), from memory. By hand, the 6809 programs
also ran on the ``mc6809`` package, to the same accesses.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

import capstone

from tests.program.exercises.faulty_memory import Memory


class Instruction(NamedTuple):
    name: str
    operands: str
    size: int


class Motorola:
    """Registers A, B, X, Y, S; flags Z, C, H, N kept as booleans. ``step`` runs one instruction."""

    def __init__(self, mode: int, memory: Memory, pc: int) -> None:
        self._engine = capstone.Cs(capstone.CS_ARCH_M680X, mode)
        self._is_6809 = mode == capstone.CS_MODE_M680X_6809
        self._decoded: dict[int, Instruction] = {}
        self.memory, self.pc = memory, pc
        self.a = self.b = self.x = self.y = self.s = 0
        self.z = self.c = self.h = False
        self.clocks = 0

    @property
    def size(self) -> int:
        """Bytes of the instruction at the program counter."""
        return self._instruction().size

    # -- operands ---------------------------------------------------------------
    def _instruction(self) -> Instruction:
        found = self._decoded.get(self.pc)
        if found is None:
            one = next(self._engine.disasm(bytes(self.memory.cells[self.pc : self.pc + 5]), self.pc, 1))
            found = self._decoded[self.pc] = Instruction(one.mnemonic, one.op_str.replace(" ", ""), one.size)
        return found

    def _address(self, text: str) -> tuple[int, str]:
        """(effective address, mode) of an operand that is no immediate."""
        indexed = re.fullmatch(r"(-?\d*|\$[0-9a-f]+|0x[0-9a-f]+|a),x", text)
        if indexed:
            offset = self._signed(self.a) if indexed[1] == "a" else self._number(indexed[1] or "0")
            return (self.x + offset) & 0xFFFF, "indexed"
        return self._number(text), "extended"

    @staticmethod
    def _number(text: str) -> int:
        text = text.lstrip("#")
        return int(text[1:], 16) if text.startswith("$") else int(text, 0)

    @staticmethod
    def _signed(value: int) -> int:
        return value - 256 if value > 127 else value

    def _value(self, operands: str, plain: int, *, wide: bool = False) -> int:
        """The operand's value, and its clocks: ``plain`` for an immediate."""
        if operands.startswith("#"):
            self.clocks += plain
            return self._number(operands) & (0xFFFF if wide else 0xFF)
        at, mode = self._address(operands)
        if self._is_6809:
            self.clocks += (4 if mode == "indexed" else 5) + wide
        else:
            self.clocks += (5 if mode == "indexed" else 4) + wide
        if wide:
            return self.memory.read(at) << 8 | self.memory.read((at + 1) & 0xFFFF)
        return self.memory.read(at)

    def _store(self, operands: str, value: int, *, wide: bool = False) -> None:
        at, mode = self._address(operands)
        if self._is_6809:
            self.clocks += (4 if mode == "indexed" else 5) + wide
        else:
            self.clocks += (6 if mode == "indexed" else 5) + wide
        if wide:
            self.memory.write(at, value >> 8)
            self.memory.write((at + 1) & 0xFFFF, value & 0xFF)
        else:
            self.memory.write(at, value)
        self.z = value == 0

    def _set(self, register: str, value: int) -> None:
        value &= 0xFFFF if register in "xysd" else 0xFF
        if register == "d":
            self.a, self.b = value >> 8, value & 0xFF
        else:
            setattr(self, register, value)
        self.z = value == 0

    def _get(self, register: str) -> int:
        return self.a << 8 | self.b if register == "d" else getattr(self, register)

    def push(self, value: int) -> None:
        """The 6800's stack pointer shows the next free byte, the 6809's the last one used."""
        if self._is_6809:
            self.s = (self.s - 1) & 0xFFFF
            self.memory.write(self.s, value)
        else:
            self.memory.write(self.s, value)
            self.s = (self.s - 1) & 0xFFFF

    def pull(self) -> int:
        if self._is_6809:
            value = self.memory.read(self.s)
            self.s = (self.s + 1) & 0xFFFF
            return value
        self.s = (self.s + 1) & 0xFFFF
        return self.memory.read(self.s)

    def return_(self) -> None:
        high = self.pull()
        self.pc = high << 8 | self.pull()

    # -- instructions -------------------------------------------------------------
    def step(self) -> None:
        name, operands, size = self._instruction()
        self.pc = (self.pc + size) & 0xFFFF
        own: Callable[[str], None] | None = getattr(self, f"_{name}", None)
        if own is not None:
            own(operands)
            return
        register = name[-1]
        match name[:-1]:
            case "lda" | "ld" if register in "abxs" or name in ("ldaa", "ldab"):
                wide = register in "xs"
                self._set(register, self._value(operands, 4 if name == "lds" and self._is_6809 else 3 if wide else 2,
                                                wide=wide))  # fmt: skip
            case "sta" | "st" if register in "abx":
                self._store(operands, self._get(register), wide=register == "x")
            case "clr" | "com" | "dec" | "inc" | "asl" | "lsl" | "lsr" if register in "ab":
                self._alone(name[:3], register)
            case "add" | "adc" | "and" | "eor":
                self._sum(name[:3], register, self._value(operands, 2))
            case _:
                raise AssertionError(f"{name} {operands} is not among the instructions of this model")

    def _alone(self, name: str, register: str) -> None:
        value = self._get(register)
        self.clocks += 2
        if name in ("asl", "lsl"):
            self.c = bool(value & 0x80)
        elif name == "lsr":
            self.c = bool(value & 1)
        elif name in ("com", "clr"):
            self.c = name == "com"
        made = {
            "clr": 0,
            "com": value ^ 0xFF,
            "dec": value - 1,
            "inc": value + 1,
            "asl": value << 1,
            "lsl": value << 1,
            "lsr": value >> 1,
        }[name]
        self._set(register, made)

    def _sum(self, name: str, register: str, value: int) -> None:
        held = self._get(register)
        if name == "and":
            return self._set(register, held & value)
        if name == "eor":
            return self._set(register, held ^ value)
        carry = int(self.c) if name == "adc" else 0
        self.h = (held & 15) + (value & 15) + carry > 15
        self.c = held + value + carry > 255
        return self._set(register, held + value + carry)

    def _branch(self, operands: str, taken: bool) -> None:
        self.clocks += 3 if self._is_6809 else 4
        if taken:
            self.pc = self._number(operands)

    def _bra(self, operands: str) -> None:
        self._branch(operands, True)

    def _bne(self, operands: str) -> None:
        self._branch(operands, not self.z)

    def _beq(self, operands: str) -> None:
        self._branch(operands, self.z)

    def _bcc(self, operands: str) -> None:
        self._branch(operands, not self.c)

    def _jmp(self, operands: str) -> None:
        self.clocks += 4 if self._is_6809 else 3
        self.pc = self._number(operands)

    def _jsr(self, operands: str) -> None:
        self.clocks += 8 if self._is_6809 else 9
        self.push(self.pc & 0xFF)
        self.push(self.pc >> 8)
        self.pc = self._number(operands)

    def _rts(self, _: str) -> None:
        self.clocks += 5
        self.return_()

    def _dec(self, operands: str) -> None:
        self.clocks += 7 if self._is_6809 else 6
        at, _ = self._address(operands)
        value = (self.memory.read(at) - 1) & 0xFF
        self.memory.write(at, value)
        self.z = value == 0

    def _daa(self, _: str) -> None:
        """Motorola's table: 6 for a low half over 9 or a half carry, 60 for a high one (9 counts with a low over 9)."""
        low, high = self.a & 15, self.a >> 4
        add = 6 if low > 9 or self.h else 0
        if self.c or high > 9 or (high > 8 and low > 9):
            add |= 0x60
        self.c = self.c or self.a + add > 255
        self.clocks += 2
        self._set("a", self.a + add)

    def _cmpx(self, operands: str) -> None:
        self.z = self.x == self._value(operands, 4 if self._is_6809 else 3, wide=True)

    _cpx = _cmpx

    # -- the 6800's own ------------------------------------------------------------
    def _sei(self, _: str) -> None:
        self.clocks += 2

    def _inx(self, _: str) -> None:
        self.clocks += 4
        self._set("x", self.x + 1)

    def _dex(self, _: str) -> None:
        self.clocks += 4
        self._set("x", self.x - 1)

    def _cba(self, _: str) -> None:
        self.clocks += 2
        self.z, self.c = self.a == self.b, self.a < self.b

    def _tba(self, _: str) -> None:
        self.clocks += 2
        self._set("a", self.b)

    def _tab(self, _: str) -> None:
        self.clocks += 2
        self._set("b", self.a)

    def _psha(self, _: str) -> None:
        self.clocks += 4
        self.push(self.a)

    def _pshb(self, _: str) -> None:
        self.clocks += 4
        self.push(self.b)

    def _pula(self, _: str) -> None:
        self.clocks += 4
        self.a = self.pull()

    def _pulb(self, _: str) -> None:
        self.clocks += 4
        self.b = self.pull()

    # -- the 6809's own ------------------------------------------------------------
    def _orcc(self, _: str) -> None:
        self.clocks += 3

    def _tfr(self, operands: str) -> None:
        self.clocks += 6
        source, target = operands.split(",")
        zero = self.z
        self._set(target, self._get(source))
        self.z = zero

    def _leax(self, operands: str) -> None:
        self.clocks += 5
        self._set("x", self._address(operands)[0])

    def _leay(self, operands: str) -> None:
        self.clocks += 5
        self._set("y", self._address(operands)[0])

    def _pshs(self, operands: str) -> None:
        order = [r for r in "pyxdba" if r in operands.split(",")]
        for register in order:
            value = self._get(register)
            self.push(value & 0xFF)
            if register == "x":
                self.push(value >> 8)
            self.clocks += 2 if register == "x" else 1
        self.clocks += 5

    def _puls(self, operands: str) -> None:
        zero = self.z
        for register in (r for r in "abxy" if r in operands.split(",")):
            high = self.pull()
            self._set(register, high << 8 | self.pull() if register == "x" else high)
            self.clocks += 2 if register == "x" else 1
        self.clocks += 5
        self.z = zero


def m6800(memory: Memory, pc: int) -> Motorola:
    return Motorola(capstone.CS_MODE_M680X_6800, memory, pc)


def m6809(memory: Memory, pc: int) -> Motorola:
    return Motorola(capstone.CS_MODE_M680X_6809, memory, pc)
