"""An 1802 that knows the instructions of the test programs, for want of a packaged one.

Typed from the instruction summary of the RCA CDP1802 data sheet, from memory: a second table beside the templates',
which also serves to read their bytes.
"""

from __future__ import annotations

from tests.program.exercises.faulty_memory import Memory

BY_REGISTER = {0x0: "LDN", 0x1: "INC", 0x2: "DEC", 0x4: "LDA", 0x5: "STR", 0x8: "GLO", 0x9: "GHI", 0xA: "PLO",
               0xB: "PHI", 0xD: "SEP", 0xE: "SEX"}  # fmt: skip
LONG = {0xC0: "LBR", 0xC2: "LBZ", 0xCA: "LBNZ", 0xC3: "LBDF", 0xCB: "LBNF"}
IMMEDIATE = {0xF8: "LDI", 0xFB: "XRI", 0xFA: "ANI", 0xFC: "ADI"}
PLAIN = {0x71: "DIS", 0xF3: "XOR", 0xF4: "ADD", 0xF6: "SHR", 0xFE: "SHL"}


def disassemble(data: bytes, at: int) -> tuple[str, int]:
    """(mnemonic with its operand, bytes)."""
    code = data[0]
    if code in LONG:
        return f"{LONG[code]} #{data[1]:02X}{data[2]:02X}", 3
    if code in IMMEDIATE:
        return f"{IMMEDIATE[code]} #{data[1]:02X}", 2
    if code in PLAIN:
        return PLAIN[code], 1
    return f"{BY_REGISTER[code >> 4]} R{code & 15:X}", 1


class Cosmac:
    """Registers ``r``, D, DF, P, X. A machine cycle is eight clocks; instructions take two, long branches three."""

    def __init__(self, memory: Memory, pc: int, p: int = 0) -> None:
        self.memory = memory
        self.r = [0] * 16
        self.d = self.df = self.x = 0
        self.p = p
        self.r[p] = pc
        self.clocks = 0

    @property
    def pc(self) -> int:
        return self.r[self.p]

    @property
    def size(self) -> int:
        return disassemble(bytes(self.memory.cells[self.pc : self.pc + 3]), self.pc)[1]

    def step(self) -> None:
        name, _, operand = disassemble(bytes(self.memory.cells[self.pc : self.pc + 3]), self.pc)[0].partition(" ")
        operand = operand.lstrip("#")
        self.clocks += 24 if name.startswith("LB") else 16
        self.r[self.p] = (self.pc + self.size) & 0xFFFF
        n = int(operand[1:], 16) if operand.startswith("R") else 0
        match name:
            case "LDN":
                self.d = self.memory.read(self.r[n])
            case "STR":
                self.memory.write(self.r[n], self.d)
            case "INC" | "DEC":
                self.r[n] = (self.r[n] + (1 if name == "INC" else -1)) & 0xFFFF
            case "GLO":
                self.d = self.r[n] & 0xFF
            case "GHI":
                self.d = self.r[n] >> 8
            case "PLO":
                self.r[n] = self.r[n] & 0xFF00 | self.d
            case "PHI":
                self.r[n] = self.r[n] & 0xFF | self.d << 8
            case "SEP":
                self.p = n
            case "SEX":
                self.x = n
            case "LDI":
                self.d = int(operand, 16)
            case "XRI":
                self.d ^= int(operand, 16)
            case "XOR":
                self.d ^= self.memory.read(self.r[self.x])
            case "ADD":
                total = self.d + self.memory.read(self.r[self.x])
                self.d, self.df = total & 0xFF, total >> 8
            case "SHR":
                self.d, self.df = self.d >> 1, self.d & 1
            case "SHL":
                self.d, self.df = self.d << 1 & 0xFF, self.d >> 7
            case "DIS":
                both = self.memory.cells[self.r[self.x]]
                self.r[self.x] = (self.r[self.x] + 1) & 0xFFFF
                self.x, self.p = both >> 4, both & 15
            case _:
                taken = {"LBR": True, "LBZ": self.d == 0, "LBNZ": self.d != 0, "LBDF": self.df == 1,
                         "LBNF": self.df == 0}[name]  # fmt: skip
                if taken:
                    self.r[self.p] = int(operand, 16)
