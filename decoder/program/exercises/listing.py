"""The program to read and to type: addresses, bytes, mnemonics, comments; then rows of eight bytes with their sums."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from busledger.decoder.figures import NO_BREAK
from busledger.decoder.program.exercises.columns import Program

__all__ = ["TYPED", "address_text", "listing", "typing_rows"]

TYPED = 8
"""Bytes in a row to type."""
_WIDTH = 80
_PLAIN = str.maketrans({NO_BREAK: " ", "µ": "u"})  # for printers and editors that know ASCII alone


def address_text(program: Program, address: int) -> str:
    """An address with all the digits that the processor's have."""
    return f"{address:0{(program.wanted.processor.address_bits + 3) // 4}X}"


def listing(program: Program, told: Sequence[str] = ()) -> str:
    """The whole listing as text; ``told``: paragraphs to stand before it, as comments."""
    lines = [f"; {line}" for paragraph in told for line in textwrap.wrap(paragraph, _WIDTH - 2)]
    if lines:
        lines.append("")
    for line in program.lines:
        bytes_ = line.data.hex(" ").upper()
        text = f"{address_text(program, line.address)}  {bytes_:11}  {line.label:6} {line.mnemonic:13}"
        lines.append(f"{text} ; {line.comment}" if line.comment else text.rstrip())
    lines += ["", "; To type: eight bytes a row, then the last two digits of their sum.", *typing_rows(program)]
    return ("\n".join(lines) + "\n").translate(_PLAIN)


def typing_rows(program: Program) -> list[str]:
    """``0100  F3 11 FF 00 21 00 40 72  = 14``: the sum of the row's bytes, its last two hexadecimal digits."""
    data = program.data
    rows = []
    for at in range(0, len(data), TYPED):
        row = data[at : at + TYPED]
        start = address_text(program, program.origin + at)
        rows.append(f"{start}  {row.hex(' ').upper():23}  = {sum(row) & 0xFF:02X}")
    return rows
