"""How long the 68000's instructions are, by their first word, and where their jumps lead.

The map of operations and the effective addresses each of them may have: M68000 Family Programmer's Reference Manual,
sections 2 and 8. No instruction is longer than five words.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["late_writes", "lengths_68000", "target_68000"]

_Mask = NDArray[np.bool_]
_OP = np.arange(1 << 16)
_EA = np.arange(64)
_MODE, _REG = _EA >> 3, _EA & 7

_ALL = (_MODE < 7) | (_REG < 5)
_DATA = _ALL & (_MODE != 1)
_ALTERABLE = (_MODE < 7) | (_REG < 2)
_DATA_ALTERABLE = _ALTERABLE & (_MODE != 1)
_MEMORY_ALTERABLE = _DATA_ALTERABLE & (_MODE != 0)
_CONTROL = (_MODE == 2) | (_MODE == 5) | (_MODE == 6) | ((_MODE == 7) & (_REG < 4))
_NOT_IMMEDIATE = _EA != 0x3C


def _extension(long: bool) -> NDArray[np.int64]:
    """Words that an effective address brings; an immediate of a long operation brings two."""
    words = np.zeros(64, np.int64)
    words[(_MODE == 5) | (_MODE == 6) | ((_MODE == 7) & (_REG < 4))] = 1
    words[0x39] = 2
    words[0x3C] = 2 if long else 1
    return words


_WORD, _LONG = _extension(False), _extension(True)
_SIZE = _OP >> 6 & 3
_OPMODE = _OP >> 6 & 7


class _Map:
    def __init__(self) -> None:
        self.words = np.zeros(1 << 16, np.int64)

    def put(self, where: _Mask, fixed: int, ea: _Mask | None = None, *, long: _Mask | None = None) -> None:
        """Operations of ``fixed`` words and their effective address, of the kinds ``ea``; none without."""
        if ea is None:
            self.words[where] = fixed
            return
        good = where & ea[_OP & 63]
        of_long = np.zeros(1 << 16, np.bool_) if long is None else long
        more = np.where(of_long, _LONG[_OP & 63], _WORD[_OP & 63])
        self.words[good] = (fixed + more)[good]


def _is(bits: int, mask: int) -> _Mask:
    return np.asarray((_OP & mask) == bits)


@lru_cache(maxsize=1)
def lengths_68000() -> NDArray[np.uint8]:
    """uint8, shape (65536,): words of the instruction that each word begins, 0 where it begins none."""
    made = _Map()
    sized, mode, long = _SIZE < 3, _OP >> 3 & 7, _SIZE == 2
    _immediates(made, sized, long)
    _moves(made)
    _miscellaneous(made, sized)
    no_byte_of_address = (_SIZE > 0) | (mode != 1)
    made.put(_is(0x5000, 0xF000) & sized & no_byte_of_address, 1, _ALTERABLE)
    made.put(_is(0x50C0, 0xF0C0), 1, _DATA_ALTERABLE)
    made.put(_is(0x50C8, 0xF0F8), 2)
    made.put(_is(0x6000, 0xF000) & ((_OP & 0xFF) != 0xFF), 1)
    made.put(_is(0x6000, 0xF0FF), 2)
    made.put(_is(0x7000, 0xF100), 1)
    to_register, to_memory = _OPMODE < 3, (_OPMODE > 3) & (_OPMODE < 7)
    whole_address = (_OPMODE == 3) | (_OPMODE == 7)
    for head in (0x8000, 0xC000):
        made.put(_is(head, 0xF000) & to_register, 1, _DATA, long=_OPMODE == 2)
        made.put(_is(head, 0xF000) & whole_address, 1, _DATA)
        made.put(_is(head, 0xF000) & to_memory, 1, _MEMORY_ALTERABLE)
        made.put(_is(head | 0x100, 0xF1F0), 1)
    made.put(_is(0xC140, 0xF1F0) | _is(0xC188, 0xF1F8), 1)
    for head in (0x9000, 0xD000, 0xB000):
        made.put(_is(head, 0xF000) & to_register & ((_OPMODE > 0) | (mode != 1)), 1, _ALL, long=_OPMODE == 2)
        made.put(_is(head, 0xF000) & whole_address, 1, _ALL, long=_OPMODE == 7)
        made.put(_is(head, 0xF000) & to_memory, 1, _DATA_ALTERABLE if head == 0xB000 else _MEMORY_ALTERABLE)
        made.put(_is(head, 0xF000) & to_memory & ((mode == 1) if head == 0xB000 else (mode < 2)), 1)
    made.put(_is(0xE000, 0xF000) & sized, 1)
    made.put(_is(0xE0C0, 0xF8C0), 1, _MEMORY_ALTERABLE)
    made.put(_is(0xA000, 0xF000) | _is(0xF000, 0xF000), 1)  # trapped: emulators of lines 1010 and 1111
    return made.words.astype(np.uint8)


def _immediates(made: _Map, sized: _Mask, long: _Mask) -> None:
    """The lowest line of the map: immediate operations, bits, MOVEP."""
    for number in (0, 1, 2, 3, 5, 6):
        made.put(_is(number << 9, 0xFF00) & sized & ~long, 2, _DATA_ALTERABLE)
        made.put(_is(number << 9, 0xFF00) & long, 3, _DATA_ALTERABLE)
    for number in (0, 1, 5):  # to CCR and SR
        made.put(_is(number << 9 | 0x3C, 0xFFBF), 2)
    made.put(_is(0x0800, 0xFFC0), 2, _DATA & _NOT_IMMEDIATE)
    made.put(_is(0x0100, 0xF1C0), 1, _DATA)
    for kind in (0x40, 0x80, 0xC0):
        made.put(_is(0x0800 | kind, 0xFFC0), 2, _DATA_ALTERABLE)
        made.put(_is(0x0100 | kind, 0xF1C0), 1, _DATA_ALTERABLE)
    made.put(_is(0x0108, 0xF138), 2)


def _moves(made: _Map) -> None:
    for head, is_long in ((0x1000, False), (0x2000, True), (0x3000, False)):
        source, to = _OP & 63, (_OP >> 3 & 0x38) | (_OP >> 9 & 7)
        good = _is(head, 0xF000) & _ALL[source] & _ALTERABLE[to]
        if head == 0x1000:
            good &= _DATA[source] & _DATA[to]
        words = 1 + (_LONG if is_long else _WORD)[source] + _WORD[to]
        made.words[good] = words[good]


def _miscellaneous(made: _Map, sized: _Mask) -> None:
    """The line that begins with 4."""
    for head in (0x4000, 0x4200, 0x4400, 0x4600, 0x4A00):
        made.put(_is(head, 0xFF00) & sized, 1, _DATA_ALTERABLE)
    made.put(_is(0x40C0, 0xFFC0) | _is(0x4800, 0xFFC0) | _is(0x4AC0, 0xFFC0), 1, _DATA_ALTERABLE)
    made.put(_is(0x44C0, 0xFFC0) | _is(0x46C0, 0xFFC0) | _is(0x4180, 0xF1C0), 1, _DATA)
    made.put(_is(0x41C0, 0xF1C0) | _is(0x4840, 0xFFC0) | _is(0x4E80, 0xFF80), 1, _CONTROL)
    made.put(_is(0x4880, 0xFF80), 2, (_CONTROL & _ALTERABLE) | (_MODE == 4))
    made.put(_is(0x4C80, 0xFF80), 2, _CONTROL | (_MODE == 3))
    for one in (0x4840, 0x4880, 0x48C0, 0x4E50, 0x4E58, 0x4E60, 0x4E68):  # SWAP, EXT, LINK, UNLK, MOVE USP
        made.put(_is(one, 0xFFF8), 2 if one == 0x4E50 else 1)
    made.put(_is(0x4E40, 0xFFF0), 1)
    for one in (0x4AFC, 0x4E70, 0x4E71, 0x4E72, 0x4E73, 0x4E75, 0x4E76, 0x4E77):
        made.put(_is(one, 0xFFFF), 2 if one == 0x4E72 else 1)


@lru_cache(maxsize=2)
def late_writes(bus_bytes: int) -> NDArray[np.uint8]:
    """uint8, shape (65536,): write cycles that an instruction makes after it has read the word two behind itself.

    So do those that change memory in place, MOVE to -(An), and PEA of an address that has no absolute operand; from the
    microprogram's order of accesses, which no manual gives, from memory. ``bus_bytes``: of a cycle, 2 or 1 (68008).
    """
    late = np.zeros(1 << 16, np.int64)  # bytes
    memory = (_OP >> 3 & 7) > 1
    sized = _SIZE < 3
    for head in (0x0000, 0x0200, 0x0400, 0x0600, 0x0A00, 0x4000, 0x4200, 0x4400, 0x4600, 0x5000):
        line = _is(head, 0xF000 if head == 0x5000 else 0xFF00) & sized & memory
        late[line] = (1 << _SIZE)[line]
    bits = ((_OP & 0xF100) == 0x0100) | ((_OP & 0xFF00) == 0x0800)
    late[bits & memory & (_SIZE > 0)] = 1
    late[(_is(0x4800, 0xFFC0) | _is(0x50C0, 0xF0C0)) & memory] = 1
    late[_is(0x40C0, 0xFFC0) & memory] = 2
    to_memory = (_OPMODE > 3) & (_OPMODE < 7)
    for head in (0x8000, 0x9000, 0xB000, 0xC000, 0xD000):
        line = _is(head, 0xF000) & to_memory & memory
        late[line] = (1 << _SIZE)[line]
        if head != 0xB000:  # -(An) to -(An): of a long one only the upper word comes late
            line = _is(head | 0x108, 0xF138) & to_memory & ~(_is(0xC148, 0xF1F8) | _is(0xC188, 0xF1F8))
            late[line] = np.minimum(1 << _SIZE, 2)[line]
    late[_is(0xE0C0, 0xF8C0) & memory] = 2
    for head, size in ((0x1000, 1), (0x2000, 4), (0x3000, 2)):
        late[_is(head | 0x0100, 0xF1C0)] = size
    late[_is(0x4840, 0xFFC0) & memory & ((_OP & 0x3F) != 0x38) & ((_OP & 0x3F) != 0x39)] = 4
    return (-(-late // bus_bytes)).astype(np.uint8)


def target_68000(raw: bytes, address: int) -> int | None:
    """Where a branch or a jump leads, by its bytes; None where they do not say."""
    op = int.from_bytes(raw[:2], "big")
    word = int.from_bytes(raw[2:4], "big", signed=True)
    if op >> 12 == 6:
        short = (op & 0xFF) - 0x100 if op & 0x80 else op & 0xFF
        return address + 2 + (short or word)
    if op & 0xF0F8 == 0x50C8 or op in (0x4EFA, 0x4EBA):
        return address + 2 + word
    if op in (0x4EF8, 0x4EB8):
        return word
    return int.from_bytes(raw[2:6], "big") if op in (0x4EF9, 0x4EB9) else None
