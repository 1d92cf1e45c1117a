"""How long the 8086's instructions are, byte by byte, and where their jumps lead.

iAPX 86,88 User's Manual, table of machine instruction decoding (opcodes 00 to FF): what it leaves out is no
instruction.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["PREFIX", "UNKNOWN", "opcodes_8086", "target_8086"]

UNKNOWN, PREFIX = 255, 254
_PREFIXES = (0x26, 0x2E, 0x36, 0x3E, 0xF0, 0xF2, 0xF3)
_NOT_USED = (0x0F, *range(0x60, 0x70), 0xC0, 0xC1, 0xC8, 0xC9, 0xD6, 0xF1)


@lru_cache(maxsize=1)
def opcodes_8086() -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Each of shape (256,): (bytes behind the opcode and its operand's address; 254 a prefix, 255 none;
    1 where a byte of mode, register and r/m follows, 2 where it must name memory; bit r: its register field r has a
    meaning).

    F6 and F7 have one or two bytes more where their register field is 0: not counted here.
    """
    more, modes, fields = np.zeros(256, np.uint8), np.zeros(256, np.uint8), np.full(256, 0xFF, np.uint8)
    for row in range(0, 0x40, 8):
        modes[row : row + 4] = 1
        more[row + 4], more[row + 5] = 1, 2
    modes[0x80:0x90] = modes[0xC4:0xC8] = modes[0xD0:0xD4] = modes[0xD8:0xE0] = 1
    modes[[0xF6, 0xF7, 0xFE, 0xFF]] = 1
    modes[[0x8D, 0xC4, 0xC5]] = 2
    more[0x70:0x80] = more[0xB0:0xB8] = more[0xE0:0xE8] = 1
    more[[0x80, 0x82, 0x83, 0xA8, 0xC6, 0xCD, 0xD4, 0xD5, 0xEB]] = 1
    more[0xB8:0xC0] = more[0xA0:0xA4] = 2
    more[[0x81, 0xA9, 0xC2, 0xC7, 0xCA, 0xE8, 0xE9]] = 2
    more[[0x9A, 0xEA]] = 4
    more[list(_PREFIXES)], more[list(_NOT_USED)] = PREFIX, UNKNOWN
    fields[[0x8C, 0x8E]] = 0x0F
    fields[[0x8F, 0xC6, 0xC7]] = 0x01
    fields[0xFE] = 0x03
    fields[0xFF] = 0x7F
    fields[[0xF6, 0xF7]] = 0xFD
    fields[0xD0:0xD4] = 0xBF
    return more, modes, fields


def target_8086(raw: bytes, address: int) -> int | None:
    """Where a jump or a call leads, as an address of the bus; None where its bytes do not say.

    Taken as counted without an end of the segment between.
    """
    at = 0
    while at < len(raw) - 1 and raw[at] in _PREFIXES:
        at += 1
    op, operand = raw[at], raw[at + 1 :]
    after = address + len(raw)
    if 0x70 <= op < 0x80 or 0xE0 <= op <= 0xE3 or op == 0xEB:
        return after + int.from_bytes(operand[:1], "little", signed=True)
    if op in (0xE8, 0xE9):
        return after + int.from_bytes(operand[:2], "little", signed=True)
    if op in (0x9A, 0xEA):
        return int.from_bytes(operand[:2], "little") + 16 * int.from_bytes(operand[2:4], "little")
    return None
