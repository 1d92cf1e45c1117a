"""Programs of buses that do not tell their fetches: by hand from the makers' tables of cycles, and an 8048 core."""

from __future__ import annotations

import pytest

from tests.program.test_following_cores import follow, foreign
from tests.program.test_inferred_6502 import inferred

READ, WRITE, IDLE = "read", "write", "idle"


def turns(turn, times):
    return [row for _ in range(times) for row in turn]


# MCS-51 User's Manual, figure of fetch and execute sequences: two program strobes a machine cycle; the second byte of a
# one-byte instruction is read and thrown away, MOVX leaves two strobes out.
LOOP_8051 = [
    (0x100, 0xE0), (0x101, 0x24),  # MOVX A,@DPTR
    (0x101, 0x24), (0x102, 0x05),  # ADD A,#05
    (0x103, 0xF0), (0x104, 0xA3),  # MOVX @DPTR,A
    (0x104, 0xA3), (0x105, 0xD8), (0x105, 0xD8), (0x105, 0xD8),  # INC DPTR
    (0x105, 0xD8), (0x106, 0xF9), (0x107, 0x00), (0x107, 0x00),  # DJNZ R0,0100
]  # fmt: skip
BEGINS_8051 = {0: 0x100, 2: 0x101, 4: 0x103, 6: 0x104, 10: 0x105}


def test_an_8051_by_hand():
    log = turns([("opcode-fetch", address, data) for address, data in LOOP_8051], 20)
    right = {(14 * turn + at, address) for turn in range(20) for at, address in BEGINS_8051.items()}
    got = set(inferred(log, "8051"))
    assert got <= right
    assert len(got) >= 0.93 * len(right)


# M6809 Programming Manual, cycle by cycle flow; VMA cycles show FFFF. LDA ,X+ / PSHS A / BSR / (ABX, RTS) / LBNE.
LOOP_6809 = [
    (READ, 0x200, 0xA6), (READ, 0x201, 0x80), (READ, 0x202, 0x34), (IDLE, 0xFFFF, 0), (IDLE, 0xFFFF, 0),
    (READ, 0x1000, 7),  # 4 + 2
    (READ, 0x202, 0x34), (READ, 0x203, 0x02), (IDLE, 0xFFFF, 0), (IDLE, 0xFFFF, 0), (READ, 0x3FF, 0),
    (WRITE, 0x3FE, 7),  # 5 + 1
    (READ, 0x204, 0x8D), (READ, 0x205, 0x0A), (IDLE, 0xFFFF, 0), (READ, 0x210, 0x3A), (IDLE, 0xFFFF, 0),
    (WRITE, 0x3FD, 0x06), (WRITE, 0x3FC, 0x02),  # 7
    (READ, 0x210, 0x3A), (READ, 0x211, 0x39), (IDLE, 0xFFFF, 0),  # 3
    (READ, 0x211, 0x39), (READ, 0x212, 0x00), (READ, 0x3FC, 0x02), (READ, 0x3FD, 0x06), (IDLE, 0xFFFF, 0),  # 5
    (READ, 0x206, 0x10), (READ, 0x207, 0x26), (READ, 0x208, 0xFF), (READ, 0x209, 0xF6), (IDLE, 0xFFFF, 0),
    (IDLE, 0xFFFF, 0),  # 6, taken
]  # fmt: skip
BEGINS_6809 = {0: 0x200, 6: 0x202, 12: 0x204, 19: 0x210, 22: 0x211, 27: 0x206}


def test_a_6809_by_hand():
    log = turns(LOOP_6809, 12)
    right = {(33 * turn + at, address) for turn in range(12) for at, address in BEGINS_6809.items()}
    got = set(inferred(log, "6809"))
    assert got <= right
    assert len(got) >= 0.9 * len(right)


# M6800 data sheet, table of cycle by cycle operation: LDAA 0,X / STAA 1000 / BSR / (INX, RTS) / BRA, and an IRQ.
LOOP_6800 = [
    (READ, 0x200, 0xA6), (READ, 0x201, 0x00), (IDLE, 0x300, 0), (IDLE, 0x300, 0), (READ, 0x300, 9),
    (READ, 0x202, 0xB7), (READ, 0x203, 0x10), (READ, 0x204, 0x00), (IDLE, 0x1000, 0), (WRITE, 0x1000, 9),
    (READ, 0x205, 0x8D), (READ, 0x206, 0x09), (IDLE, 0x207, 0), (WRITE, 0x3FF, 0x07), (WRITE, 0x3FE, 0x02),
    (IDLE, 0x3FD, 0), (IDLE, 0x207, 0), (IDLE, 0x210, 0),
    (READ, 0x210, 0x08), (READ, 0x211, 0x39), (IDLE, 0x300, 0), (IDLE, 0x301, 0),
    (READ, 0x211, 0x39), (READ, 0x212, 0x00), (IDLE, 0x3FD, 0), (READ, 0x3FE, 0x02), (READ, 0x3FF, 0x07),
    (READ, 0x207, 0x20), (READ, 0x208, 0xF7), (IDLE, 0x209, 0), (IDLE, 0x200, 0),
]  # fmt: skip
BEGINS_6800 = {0: 0x200, 5: 0x202, 10: 0x205, 18: 0x210, 22: 0x211, 27: 0x207}
IRQ_6800 = [
    (READ, 0x200, 0xA6), (READ, 0x200, 0xA6), *((WRITE, 0x3FF - n, 0x11 * n) for n in range(7)), (IDLE, 0x3F8, 0),
    (READ, 0xFFF8, 0x05), (READ, 0xFFF9, 0x00),
    (READ, 0x500, 0x01), (READ, 0x501, 0x3B),  # NOP
    (READ, 0x501, 0x3B), (READ, 0x502, 0), (IDLE, 0x3F8, 0), (READ, 0x3F9, 0), (READ, 0x3FA, 0), (READ, 0x3FB, 0),
    (READ, 0x3FC, 0), (READ, 0x3FD, 0), (READ, 0x3FE, 0x02), (READ, 0x3FF, 0x00),  # RTI
]  # fmt: skip


@pytest.mark.parametrize("with_interrupt", [False, True])
def test_a_6800_by_hand(with_interrupt):
    middle = IRQ_6800 if with_interrupt else []
    log = turns(LOOP_6800, 6) + middle + turns(LOOP_6800, 6)
    right = {
        (31 * turn + at + (len(middle) if turn >= 6 else 0), address)
        for turn in range(12)
        for at, address in BEGINS_6800.items()
    }
    right |= {(186 + 12, 0x500), (186 + 14, 0x501)} if with_interrupt else set()
    got = set(inferred(log, "6800"))
    assert got <= right
    assert len(got) >= 0.9 * len(right)


class Mcs48:
    """As much of an 8048 as the core's program uses, from the MCS-48 User's Manual; it runs on a ROM and says where
    each instruction begins."""

    def __init__(self, rom):
        self.rom, self.pc, self.a, self.r = rom, 0, 0, [0] * 8
        self.external, self.bank, self.stack = {}, 0, []

    def step(self):
        begin, op = self.pc, self.rom[self.pc]
        operand = self.rom.get(begin + 1, 0)
        self.pc = begin + 1
        page = (begin + 1) & 0xF00
        if op in (0x15, 0x35, 0x00):
            return begin
        if op & 0x1F == 0x04:
            self.pc = self.bank | (op & 0xE0) << 3 | operand
        elif op & 0x1F == 0x14:
            self.stack.append(begin + 2)
            self.pc = self.bank | (op & 0xE0) << 3 | operand
        elif op == 0x83:
            self.pc = self.stack.pop()
        elif op in (0xE5, 0xF5):
            self.bank = 0x800 if op == 0xF5 else 0
        elif op & 0xF8 == 0xB8:
            self.r[op & 7], self.pc = operand, begin + 2
        elif op & 0xF8 == 0xF8:
            self.a = self.r[op & 7]
        elif op & 0xF8 == 0xA8:
            self.r[op & 7] = self.a
        elif op & 0xF8 == 0x18:
            self.r[op & 7] = self.r[op & 7] + 1 & 0xFF
        elif op & 0xF8 == 0xE8:
            self.r[op & 7] = self.r[op & 7] - 1 & 0xFF
            self.pc = page | operand if self.r[op & 7] else begin + 2
        elif op & 0xF8 == 0xD8:
            self.a ^= self.r[op & 7]
        elif op == 0x17:
            self.a = self.a + 1 & 0xFF
        elif op == 0xE7:
            self.a = (self.a << 1 | self.a >> 7) & 0xFF
        elif op == 0x03:
            self.a, self.pc = self.a + operand & 0xFF, begin + 2
        elif op == 0xC6:
            self.pc = page | operand if self.a == 0 else begin + 2
        elif op & 0xFE == 0x90:
            self.external[self.r[op & 1]] = self.a
        elif op & 0xFE == 0x80:
            self.a = self.external[self.r[op & 1]]
        else:
            raise AssertionError(f"{op:02X} at {begin:03X}")
        return begin


@pytest.mark.parametrize("capture", foreign("8048-clean"))
def test_every_instruction_of_an_8048_core(capture):
    _, _, followed, found, _ = follow(capture.path, capture.board)
    rom = {address: data for _, kind, address, data in capture.truth() if kind == "opcode-fetch"}
    machine = Mcs48(rom)
    got = found.address.tolist()
    began = [machine.step() for _ in range(len(got) + 10)]
    # Strobes while the core is reset show no program; what comes first may be taken for one of them.
    start = began.index(got[0])
    assert start < 3
    assert got == began[start : start + len(got)]
    assert len(got) > 11_800
    assert followed.inferred[followed.of >= 0].all()
