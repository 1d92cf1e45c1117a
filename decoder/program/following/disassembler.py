"""Texts and lengths of instructions from capstone, for the processors that it knows soundly.

capstone is a maintained disassembler; what it says is brought into the makers' spelling: capitals, ``$`` before a
hexadecimal number (``H`` behind it, as Intel writes it), no blanks among operands. Where it is wrong of the 68000 (it
takes SBCD -(Ay),-(Ax) for four bytes, BTST Dn,#n for six and ROXR.B Dx,Dy for ROXR.L) this module says what the
maker's manual does.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capstone import Cs

__all__ = ["disassemble"]

_DECIMAL = re.compile(r"#(-?\d+)")
_MODES = {
    "mos65xx-6502": ("MOS65XX", ("MOS65XX_6502",)),
    "mos65xx-w65c02": ("MOS65XX", ("MOS65XX_W65C02",)),
    # A long index register leaves the accumulator's immediates short, and the other way round: the first whose length
    # is that of the bytes is right.
    "mos65xx-65816": ("MOS65XX", ("MOS65XX_65816_LONG_X", "MOS65XX_65816_LONG_M")),
    "m680x-6800": ("M680X", ("M680X_6800",)),
    "m680x-6801": ("M680X", ("M680X_6801",)),
    "m680x-6809": ("M680X", ("M680X_6809",)),
    "m68k-68000": ("M68K", ("M68K_000",)),
    "x86-8086": ("X86", ("16",)),
}
_NOT_AN_INSTRUCTION = "fcb"
_HEX = re.compile(r"0x([0-9a-f]+)")
_STRINGS = ("movs", "cmps", "scas", "lods", "stos")
_FAR = {"ljmp": "jmp", "lcall": "call"}


@lru_cache(maxsize=8)
def _engines(name: str) -> tuple[Cs, ...]:
    import capstone

    family, modes = _MODES[name]
    made = []
    for mode in modes:
        engine = capstone.Cs(getattr(capstone, f"CS_ARCH_{family}"), getattr(capstone, f"CS_MODE_{mode}"))
        if family == "MOS65XX":
            engine.syntax = capstone.CS_OPT_SYNTAX_MOTOROLA
        if family == "M68K":
            engine.mode |= capstone.CS_MODE_BIG_ENDIAN
        made.append(engine)
    return tuple(made)


def disassemble(name: str, raw: bytes, address: int, *, whole: bool = True) -> tuple[str, int] | None:
    """(text, bytes) of the instruction at the head of ``raw``; with ``whole`` it must take all of them.

    None where the processor has no such instruction. ``name`` is one of this module's, as a table's ``disassembler``.
    """
    own = _of_68000(raw) if name == "m68k-68000" else None
    if own is not None:
        return own
    publish = _published_x86 if name == "x86-8086" else _published
    for engine in _engines(name):
        for _, size, mnemonic, operands in engine.disasm_lite(raw, address, 1):
            if mnemonic == _NOT_AN_INSTRUCTION or (whole and size != len(raw)):
                continue
            return publish(mnemonic, operands, size), size
    return None


def _of_68000(raw: bytes) -> tuple[str, int] | None:
    """What capstone gets wrong."""
    op = int.from_bytes(raw[:2], "big")
    high, low = op >> 9 & 7, op & 7
    if op & 0xF1F8 == 0x8108:
        return f"SBCD.B -(A{low}),-(A{high})", 2
    if op & 0xF1FF == 0x013C and len(raw) > 3:
        return f"BTST.B D{high},#${raw[3]:02X}", 4
    if op & 0xF1F8 == 0xE030:
        return f"ROXR.B D{high},D{low}", 2
    return (f"DC.W ${op:04X}", 2) if op >> 12 in (10, 15) else None


def _published_x86(mnemonic: str, operands: str, size: int) -> str:
    name = mnemonic.split()[-1]
    if name[:-1] in _STRINGS and not re.search(r"(?<!e)[cs]s:|es:\[si\]", operands):
        operands = ""
    if name in _FAR:
        far = "" if operands[:1] == "0" else "dword ptr "
        mnemonic, operands = _FAR[name], far + operands.replace(", ", ":")
    if name == "int3":
        mnemonic, operands = "int", "3"

    def number(match: re.Match[str]) -> str:
        digits = match[1].upper()
        return f"{'0' if digits[0] > '9' else ''}{digits}H"

    text = _HEX.sub(number, f"{mnemonic} {operands}".strip()).upper()
    return text.replace(", ", ",").replace(" + ", "+").replace(" - ", "-")


def _published(mnemonic: str, operands: str, size: int) -> str:
    text = operands.replace(", ", ",")

    def immediate(match: re.Match[str]) -> str:
        digits = 4 if size > 2 else 2
        return f"#${int(match[1]) & (16**digits - 1):0{digits}X}"

    return f"{mnemonic} {_DECIMAL.sub(immediate, text)}".strip().upper()
