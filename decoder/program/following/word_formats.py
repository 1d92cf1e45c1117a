"""Instructions of words whose first word alone tells how many there are: formats as data, texts in TI's notation.

A format is (bits, text). Bits are ``0`` and ``1``, and fields, the most significant first, parted by blanks:

======  =====================================================================
``s``    six bits, a general source: two of its mode, four of its register
``d``    six bits, a general destination
``w``    four bits, a workspace register, ``{w}`` in the text; ``D`` another one, ``{D}``
``c``    four bits, a count
``e``    eight bits, a signed displacement: ``{e}`` the address that it leads to, ``{b}`` as a number of CRU bits
``n``    one bit that is not used
======  =====================================================================

``{i}`` in a text is a word that follows. A general operand of mode 2 has a word behind the instruction; the source's
comes first (TMS 9900 Microprocessor Data Manual, sections 3.3 and 3.5).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["WordFormat", "fill_words", "word_formats", "word_lengths"]

_WIDTHS = {"s": 6, "d": 6, "w": 4, "D": 4, "c": 4, "e": 8, "n": 1}
_FIELD = re.compile(r"\{([a-zA-Z])\}")


@dataclass(frozen=True)
class WordFormat:
    """``fields`` gives (shift, mask) of each letter; ``mask`` and ``value`` are the bits that are given."""

    mask: int
    value: int
    fields: dict[str, tuple[int, int]]
    text: str


def word_formats(table: Sequence[tuple[str, str]]) -> tuple[WordFormat, ...]:
    """The formats of a table, ready to be looked up."""
    return tuple(_format(bits, text) for bits, text in table)


def _format(bits: str, text: str) -> WordFormat:
    mask, value, at = 0, 0, 16
    fields: dict[str, tuple[int, int]] = {}
    for token in bits.replace(" ", ""):
        width = _WIDTHS.get(token, 1)
        at -= width
        if token in "01":
            mask |= 1 << at
            value |= int(token) << at
        else:
            fields[token] = (at, (1 << width) - 1)
    assert at == 0, f"{bits} has not sixteen bits"
    return WordFormat(mask, value, fields, text)


def word_lengths(formats: Sequence[WordFormat]) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """(words of the instruction that each of 65 536 first words begins, 0: none; which format, 255: none)."""
    op = np.arange(1 << 16)
    words, which = np.zeros(1 << 16, np.uint8), np.full(1 << 16, 255, np.uint8)
    for number, form in enumerate(formats):
        fits = (op & form.mask) == form.value
        more = np.full(1 << 16, 1 + form.text.count("{i}"))
        for name in ("s", "d"):
            if name in form.fields:
                shift, _ = form.fields[name]
                more += (op >> shift + 4 & 3) == 2
        words[fits], which[fits] = more[fits], number
    return words, which


def fill_words(form: WordFormat, words: Sequence[int], address: int) -> tuple[str, int | None]:
    """(the text, the address that it jumps to or names as its only operand, None where it has none)."""
    op, rest = words[0], list(words[1:])
    target: int | None = None

    def one(match: re.Match[str]) -> str:
        nonlocal target
        name = match[1]
        if name == "i":
            return f">{rest.pop(0):04X}" if rest else ">????"
        shift, mask = form.fields["e" if name == "b" else name]
        value = op >> shift & mask
        if name in ("s", "d"):
            text, target = _general(value, rest)
            return text
        if name in ("w", "D"):
            return f"R{value}"
        if name == "c":
            return str(value)
        signed = value - 256 if value > 127 else value
        if name == "b":
            return str(signed)
        target = address + 2 + 2 * signed & 0xFFFE
        return f">{target:04X}"

    return _FIELD.sub(one, form.text), target


def _general(value: int, rest: list[int]) -> tuple[str, int | None]:
    mode, register = value >> 4, value & 15
    if mode == 2:
        word = rest.pop(0) if rest else None
        text = "@>????" if word is None else f"@>{word:04X}"
        return (f"{text}(R{register})", None) if register else (text, word)
    return ("{}", "*{}", "", "*{}+")[mode].format(f"R{register}"), None
