"""Ordinary program traffic to propose a wiring from: random programs on a 6502 emulator (py65), as pins."""

from __future__ import annotations

import random

from py65.devices.mpu6502 import MPU

from tests.external.test_bus_emulators import pins_6502


class _Memory:
    def __init__(self):
        self.bytes = bytearray(65536)
        self.log = []

    def __len__(self):
        return 65536

    def __getitem__(self, address):
        self.log.append(("read", address, self.bytes[address]))
        return self.bytes[address]

    def __setitem__(self, address, value):
        self.log.append(("write", address, value & 0xFF))
        self.bytes[address] = value & 0xFF


def program_6502(seed, routines=60):
    """Routines scattered over 8000-FFFF that load, store and count in 0000-3FFF; a main loop calls them."""
    dice = random.Random(seed)
    memory = bytearray(65536)
    memory[0x0200:0x4000] = dice.randbytes(0x3E00)
    starts = sorted(dice.sample(range(0x8100, 0xFE00, 0x60), routines))

    def spot():
        return dice.randrange(0x0200, 0x4000)

    for start in starts:
        code = bytearray()
        for _ in range(dice.randrange(3, 9)):
            far, near = spot(), dice.randrange(0x10, 0xF0)
            code += dice.choice(
                [
                    bytes([0xAD, far & 255, far >> 8]),  # LDA abs
                    bytes([0x8D, far & 255, far >> 8]),  # STA abs
                    bytes([0xEE, far & 255, far >> 8]),  # INC abs
                    bytes([0xA5, near]),  # LDA zp
                    bytes([0x85, near]),  # STA zp
                    bytes([0x69, dice.randrange(256)]),  # ADC #
                    bytes([0xA2, 5, 0xBD, far & 255, far >> 8, 0xCA, 0x10, 0xFA]),  # LDX #5; LDA abs,X; DEX; BPL
                ]
            )
        memory[start : start + len(code) + 1] = code + b"\x60"
    at = 0x8000
    for start in dice.choices(starts, k=80):
        memory[at : at + 3] = bytes([0x20, start & 255, start >> 8])  # JSR
        at += 3
    memory[at : at + 3] = b"\x4c\x00\x80"  # JMP 8000
    return memory


def wave_6502(seed, accesses=8000):
    """The pins of such a program."""
    memory = _Memory()
    memory.bytes[:] = program_6502(seed)
    cpu = MPU(memory=memory, pc=0x8000)
    while len(memory.log) < accesses:
        cpu.step()
    return pins_6502(memory.log[:accesses])
