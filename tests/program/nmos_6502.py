"""The bus of an NMOS 6502, cycle by cycle, around py65, and random programs for it.

py65 runs the instructions; the MCS6500 Hardware Manual (appendix A, from memory) says what is on the bus in each cycle.
"""

from __future__ import annotations

import random

from py65.devices.mpu6502 import MPU

STORES = {"STA", "STX", "STY"}
MODIFIES = {"ASL", "LSR", "ROL", "ROR", "INC", "DEC"}
PUSHES, PULLS = {"PHA", "PHP"}, {"PLA", "PLP"}


class Bus6502:
    """``rows``: (kind, address, data) of every cycle; ``begins``: (row, address) of every instruction."""

    def __init__(self, memory, pc):
        self.cpu = MPU(memory=memory, pc=pc)
        self.memory, self.rows, self.begins = memory, [], []

    def read(self, address):
        self.rows.append(("read", address & 0xFFFF, self.memory[address & 0xFFFF]))

    def write(self, address, value):
        self.rows.append(("write", address & 0xFFFF, value & 0xFF))

    def step(self):
        cpu, m, pc = self.cpu, self.memory, self.cpu.pc
        op = m[pc]
        name, mode = cpu.disassemble[op]
        low, high = m[(pc + 1) & 0xFFFF], m[(pc + 2) & 0xFFFF]
        x, y, sp = cpu.x, cpu.y, 0x100 | cpu.sp
        self.begins.append((len(self.rows), pc))
        self.read(pc)
        if mode in ("imp", "acc", "imm") or name in ("JSR", "BRK"):
            self.implied(name, mode, pc, sp, low, high)
            return
        if mode == "rel":
            self.branch(pc, low)
            return
        if name == "JMP":
            self.jump(mode, pc, low, high)
            return
        self.access(name, mode, pc, (low, high), x, y)

    def pointed(self, pointer):
        """Where two bytes of the first page point, read one after the other."""
        places = pointer & 0xFF, (pointer + 1) & 0xFF
        for place in places:
            self.read(place)
        return self.memory[places[0]] | self.memory[places[1]] << 8

    def interrupt(self):
        """An IRQ is taken: the fetch comes to nothing, three pushes, the vector."""
        pc, sp = self.cpu.pc, self.cpu.sp
        self.read(pc)
        self.read(pc)
        self.cpu.irq()
        for n in range(3):
            at = 0x100 | (sp - n) & 0xFF
            self.write(at, self.memory[at])
        self.read(0xFFFE)
        self.read(0xFFFF)

    def implied(self, name, mode, pc, sp, low, high):
        before = sp
        self.read(pc + 1)
        if name == "JSR":
            self.read(sp)
            self.write(sp, (pc + 2) >> 8)
            self.write(0x100 | (sp - 1) & 0xFF, pc + 2)
            self.cpu.step()
            self.read(pc + 2)
            return
        if name in PUSHES:
            self.cpu.step()
            self.write(before, self.memory[before])
            return
        if name in PULLS or name in ("RTS", "RTI"):
            self.read(sp)
            for n in range(1, {"RTS": 3, "RTI": 4}.get(name, 2)):
                self.read(0x100 | (sp + n) & 0xFF)
            self.cpu.step()
            if name == "RTS":
                self.read(self.cpu.pc - 1)
            return
        self.cpu.step()

    def branch(self, pc, offset):
        self.read(pc + 1)
        self.cpu.step()
        assert offset, "a branch to the next instruction looks the same taken and not"
        if self.cpu.pc != (pc + 2) & 0xFFFF:
            self.read(pc + 2)
            if (self.cpu.pc ^ pc + 2) & 0xFF00:
                self.read((pc + 2) & 0xFF00 | self.cpu.pc & 0xFF)

    def jump(self, mode, pc, low, high):
        self.read(pc + 1)
        self.read(pc + 2)
        if mode == "ind":
            self.read(low | high << 8)
            self.read(high << 8 | (low + 1) & 0xFF)
        self.cpu.step()

    def access(self, name, mode, pc, operand, x, y):
        low, high = operand
        m = self.memory
        store, modify = name in STORES, name in MODIFIES
        self.read(pc + 1)
        base = low | high << 8
        if mode in ("zpg", "zpx", "zpy"):
            if mode != "zpg":
                self.read(low)
            at = (low + {"zpg": 0, "zpx": x, "zpy": y}[mode]) & 0xFF
        elif mode in ("abs", "abx", "aby"):
            self.read(pc + 2)
            at = (base + {"abs": 0, "abx": x, "aby": y}[mode]) & 0xFFFF
            if mode != "abs" and (store or modify or (at ^ base) & 0xFF00):
                self.read(base & 0xFF00 | at & 0xFF)
        elif mode == "inx":
            self.read(low)
            at = self.pointed(low + x)
        else:
            base = self.pointed(low)
            at = (base + y) & 0xFFFF
            if store or (at ^ base) & 0xFF00:
                self.read(base & 0xFF00 | at & 0xFF)
        if not store:
            self.read(at)
        if modify:
            self.write(at, m[at])
        self.cpu.step()
        if store or modify:
            self.write(at, m[at])


# What a random program is made of: everything published but BRK, RTI, TXS and the jumps, which are put in by hand.
LEFT_OUT = {"BRK", "RTI", "RTS", "TXS", "JMP", "JSR", "???", "SED", "PLP", "PLA", "PHA", "PHP"}
CODE, DATA = 0x0400, 0x10


def random_program(seed, length=220, cpu=MPU, left_out=frozenset(LEFT_OUT), bit_branches=False):
    """64 K with a program at 0400: straight code, short branches forwards, calls, pushes and pulls, and a jump back."""
    drawn = random.Random(seed)
    memory = [drawn.randrange(256) for _ in range(65536)]
    for n in range(0, 256, 2):  # pointers lead to 2000-3FFF
        memory[n], memory[n + 1] = drawn.randrange(256), drawn.randrange(0x20, 0x3F)
    sizes = {"imp": 1, "acc": 1, "abs": 3, "abx": 3, "aby": 3, "ind": 3}
    ops = [op for op in range(256) if cpu.disassemble[op][0] not in left_out and cpu.disassemble[op][1] != "rel"]
    branches = [op for op in range(256) if cpu.disassemble[op][1] == "rel"]
    pieces, at = [], CODE
    for _ in range(length):
        kind = drawn.random()
        if kind < 0.12:
            piece = [drawn.choice(branches), None]
        elif kind < 0.17:
            piece = [0x20, drawn.choice([0x00, 0x10, 0x20]), 0x10]  # JSR 1000, 1010, 1020
        elif kind < 0.21:
            piece = [0x48, 0x68]  # PHA, PLA: two instructions
        elif kind < 0.26 and bit_branches:
            piece = [drawn.randrange(16) << 4 | 0x0F, drawn.randrange(256), None]
        else:
            op = drawn.choice(ops)
            size = sizes.get(cpu.disassemble[op][1], 2)
            piece = [op, *([drawn.randrange(256), drawn.randrange(0x20, 0x3F)][: size - 1])]
        pieces.append((at, piece))
        at += len(piece)
    starts = [place for place, _ in pieces] + [at]
    for place, piece in pieces:
        if piece[-1] is None:
            ahead = [s for s in starts if len(piece) < s - place < 100]
            piece[-1] = drawn.choice(ahead) - place - len(piece) if ahead else 0
            if not ahead:
                piece[:] = [0xEA] * len(piece)
        memory[place : place + len(piece)] = piece
    memory[at : at + 3] = [0x4C, CODE & 0xFF, CODE >> 8]
    memory[0xFFFE:] = [0x30, 0x10]
    memory[0x1030:0x1032] = [0xC8, 0x40]  # INY, RTI
    for where in (0x1000, 0x1010, 0x1020):
        memory[where : where + 4] = [0xE8, 0xC8, 0xEA, 0x60]
    return memory
