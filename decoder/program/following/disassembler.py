"""Texts and lengths of instructions from capstone, for the processors that it knows soundly.

capstone is a maintained disassembler; what it says is brought into the makers' spelling: capitals, ``$`` before a
hexadecimal number, no blanks among operands.
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
}
_NOT_AN_INSTRUCTION = "fcb"


@lru_cache(maxsize=8)
def _engines(name: str) -> tuple[Cs, ...]:
    import capstone

    family, modes = _MODES[name]
    made = []
    for mode in modes:
        engine = capstone.Cs(getattr(capstone, f"CS_ARCH_{family}"), getattr(capstone, f"CS_MODE_{mode}"))
        if family == "MOS65XX":
            engine.syntax = capstone.CS_OPT_SYNTAX_MOTOROLA
        made.append(engine)
    return tuple(made)


def disassemble(name: str, raw: bytes, address: int, *, whole: bool = True) -> tuple[str, int] | None:
    """(text, bytes) of the instruction at the head of ``raw``; with ``whole`` it must take all of them.

    None where the processor has no such instruction. ``name`` is one of this module's, as a table's ``disassembler``.
    """
    for engine in _engines(name):
        for _, size, mnemonic, operands in engine.disasm_lite(raw, address, 1):
            if mnemonic == _NOT_AN_INSTRUCTION or (whole and size != len(raw)):
                continue
            return _published(mnemonic, operands, size), size
    return None


def _published(mnemonic: str, operands: str, size: int) -> str:
    text = operands.replace(", ", ",")

    def immediate(match: re.Match[str]) -> str:
        digits = 4 if size > 2 else 2
        return f"#${int(match[1]) & (16**digits - 1):0{digits}X}"

    return f"{mnemonic} {_DECIMAL.sub(immediate, text)}".strip().upper()
