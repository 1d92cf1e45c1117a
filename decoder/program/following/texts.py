"""Texts of instructions from typed tables: a template and the bytes that fill it.

Templates hold their operands in braces, in the order in which their bytes follow the opcode:

=======  =====================================================================
``{n}``   a byte; ``{n2}`` the second operand byte, whatever stands before it
``{b}``   a byte that numbers a bit
``{nn}``  a word, low byte first
``{w}``   a word, high byte first
``{d}``   a signed displacement, written ``+5`` or ``-3``
``{e}``   a signed byte counted from the next instruction, written as the address
``{p}``   a byte that replaces the low half of the next byte's address
``{a}``   a byte with the opcode's top three bits above it, in the next instruction's block of 2K
``{m}``   the same, in whichever block of 2K was selected before; written without it
=======  =====================================================================
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Literal

__all__ = ["fill", "number_text", "operand_bytes", "target_operand"]

_OPERAND = re.compile(r"\{([a-z]+)(\d?)\}")
_BYTES = {"n": 1, "b": 1, "nn": 2, "w": 2, "d": 1, "e": 1, "p": 1, "a": 1, "m": 1}
_TARGETS = ("e", "p", "a", "m", "nn", "w")
Style = Literal["intel", "motorola", "ti"]


def operand_bytes(template: str) -> int:
    """How many bytes follow the opcode."""
    return sum(_BYTES[kind] for kind, _ in _OPERAND.findall(template))


def target_operand(template: str) -> str:
    """The last operand that can be an address of the program ("e", "p", "a", "nn", "w"); "" where there is none."""
    found = [kind for kind, _ in _OPERAND.findall(template) if kind in _TARGETS]
    return found[-1] if found else ""


def number_text(value: int, digits: int, style: Style) -> str:
    """``$12``, ``>12`` or ``12H`` (``0F2H`` where a letter would lead)."""
    text = f"{value:0{digits}X}"
    if style != "intel":
        return f"{'$' if style == 'motorola' else '>'}{text}"
    return f"{'0' if text[0] > '9' else ''}{text}H"


def fill(template: str, operands: Sequence[int], opcode: int, after: int, style: Style, mask: int = 0xFFFF) -> str:
    """The text of an instruction; ``after`` is the address behind its last byte, ``mask`` of all address bits.

    Where ``operands`` are too few, those that are not there are written ``??``.
    """
    at = 0

    def one(match: re.Match[str]) -> str:
        nonlocal at
        kind, place = match.groups()
        first = int(place) - 1 if place else at
        at += _BYTES[kind]
        if first + _BYTES[kind] > len(operands):
            return _partly(kind, operands[first:], style)
        value = operands[first]
        if kind in ("n", "b"):
            return number_text(value, 2, style)
        if kind == "d":
            return f"{value - 256 if value > 127 else value:+d}"
        return number_text(address_of(kind, operands[first : first + 2], opcode, after, mask), 4, style)

    return _OPERAND.sub(one, template)


def _partly(kind: str, there: Sequence[int], style: Style) -> str:
    """A word of which only the first byte is there, or a byte that is not."""
    shown = "".join(f"{byte:02X}" for byte in there)
    text = "??"
    if kind in ("nn", "w"):
        text = f"??{shown or '??'}" if kind == "nn" else f"{shown or '??'}??"
    return f"${text}" if style == "motorola" else f"{text}H"


def address_of(kind: str, operands: Sequence[int], opcode: int, after: int, mask: int) -> int:
    """The address that an operand of one of the kinds above stands for."""
    if kind == "nn":
        return operands[0] | operands[1] << 8
    if kind == "w":
        return operands[0] << 8 | operands[1]
    if kind == "e":
        return (after + (operands[0] ^ 0x80) - 0x80) & mask
    if kind == "p":
        return ((after - 1) & mask & ~0xFF) | operands[0]
    return (0 if kind == "m" else after & mask & ~0x7FF) | (opcode & 0xE0) << 3 | operands[0]
