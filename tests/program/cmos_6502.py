"""The bus of a 65C02, cycle by cycle, around py65: where it differs from the NMOS part's (W65C02S data sheet, table of
operation modes, from memory). py65 has no BBR and BBS: they are run here.
"""

from __future__ import annotations

from py65.devices.mpu65c02 import MPU

from tests.program.nmos_6502 import Bus6502

STORES = {"STA", "STX", "STY", "STZ"}
MODIFIES = {"ASL", "LSR", "ROL", "ROR", "INC", "DEC", "TRB", "TSB", *(f"{n}MB{k}" for n in "RS" for k in range(8))}
SHIFTS = {"ASL", "LSR", "ROL", "ROR"}


class Bus65C02(Bus6502):
    """A dummy cycle reads the last byte of the instruction; what is modified is read twice and written once."""

    def __init__(self, memory, pc):
        super().__init__(memory, pc)
        self.cpu = MPU(memory=memory, pc=pc)

    def step(self):
        cpu, m, pc = self.cpu, self.memory, self.cpu.pc
        op, low, high = m[pc], m[(pc + 1) & 0xFFFF], m[(pc + 2) & 0xFFFF]
        name, mode = cpu.disassemble[op]
        if op & 0x0F == 0x0F:
            self.begins.append((len(self.rows), pc))
            self.read(pc)
            self.bit_branch(op, low, high)
        elif name in ("PHX", "PHY", "PLX", "PLY"):
            self.begins.append((len(self.rows), pc))
            self.read(pc)
            self.read(pc + 1)
            sp = 0x100 | cpu.sp
            if name[1] == "L":
                self.read(sp)
                self.read(0x100 | (sp + 1) & 0xFF)
            cpu.step()
            if name[1] == "H":
                self.write(sp, m[sp])
        elif name == "JMP" and mode != "abs":
            self.begins.append((len(self.rows), pc))
            for at in (pc, pc + 1, pc + 2, pc + 2):
                self.read(at)
            at = (low | high << 8) + (cpu.x if mode == "iax" else 0)
            self.read(at)
            self.read(at + 1)
            cpu.step()
        else:
            super().step()

    def bit_branch(self, op, cell, offset):
        pc = self.cpu.pc
        for at in (pc + 1, cell, cell, pc + 2):
            self.read(at)
        taken = bool(self.memory[cell] >> (op >> 4 & 7) & 1) == bool(op & 0x80)
        self.cpu.pc = (pc + 3 + (offset ^ 0x80) - 0x80 if taken else pc + 3) & 0xFFFF
        if taken:
            self.read(pc + 2)
            if (self.cpu.pc ^ pc + 3) & 0xFF00:
                self.read(pc + 2)

    def implied(self, name, mode, pc, sp, low, high):
        super().implied(name, mode, pc, sp, low, high)
        if mode == "imm" and name in ("ADC", "SBC") and self.cpu.p & self.cpu.DECIMAL:
            self.read(pc + 1)

    def access(self, name, mode, pc, operand, x, y):
        low, high = operand
        m, cpu = self.memory, self.cpu
        store, modify = name in STORES, name in MODIFIES
        decimal = bool(name in ("ADC", "SBC") and cpu.p & cpu.DECIMAL)
        last = pc + (2 if mode in ("abs", "abx", "aby") else 1)
        self.read(pc + 1)
        base = low | high << 8
        if mode in ("zpg", "zpx", "zpy"):
            if mode != "zpg":
                self.read(last)
            at = (low + {"zpg": 0, "zpx": x, "zpy": y}[mode]) & 0xFF
        elif mode in ("abs", "abx", "aby"):
            self.read(last)
            at = (base + {"abs": 0, "abx": x, "aby": y}[mode]) & 0xFFFF
            crossed = (at ^ base) & 0xFF00
            if mode != "abs" and (crossed or store or (modify and name not in SHIFTS)):
                self.read(last)
        elif mode == "inx":
            self.read(last)
            at = self.pointed(low + x)
        else:
            base = self.pointed(low)
            at = (base + (y if mode == "iny" else 0)) & 0xFFFF
            if mode == "iny" and (store or (at ^ base) & 0xFF00):
                self.read(last)
        if not store:
            self.read(at)
        if modify or decimal:
            self.read(at)
        cpu.step()
        if store or modify:
            self.write(at, m[at])
