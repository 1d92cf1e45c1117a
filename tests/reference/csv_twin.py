"""Slow twin of the CSV reader: the csv module, fractions and strings."""

from __future__ import annotations

import csv
import io
from fractions import Fraction

POWER = {"s": 12, "ms": 9, "us": 6, "ns": 3, "ps": 0}


def cell_bits(cell: str, size: int | None, base: int) -> str:
    """One letter of 0 1 x a bit, right-most last; size None is a plain level."""
    if size is None:
        return cell if cell in ("0", "1") else "x"
    digits = cell.lower().removeprefix("0b" if base == 2 else "0x")
    if not digits or digits == "-":
        return "x" * size
    if base == 10:
        return f"{int(digits):0{size}b}" if digits.isdigit() else "x" * size
    if base == 2:
        return ((digits[0] if digits[0] in "xz" else "0") * size + digits)[-size:].replace("z", "x")
    bits = "".join(f"{int(d, 16):04b}" if d in "0123456789abcdef" else "xxxx" for d in digits)
    fill = "0" if digits[0] in "0123456789abcdef" else "x"
    return (fill * size + bits)[-size:]


def read_csv(
    text: str, delimiter: str, unit: str | None, rate_hz: int, sizes: list[int | None], bases: list[int]
) -> list[tuple[int, str]]:
    """(picoseconds from the first line on where that is before 0, levels in column order, each vector right-most bit
    first) of each row that changes. ``bases``: 2, 10 or 16 for each column."""
    rows: list[tuple[int, str]] = []
    pending: tuple[int, str] | None = None
    origin = 0
    lines = list(csv.reader(io.StringIO(text), delimiter=delimiter, skipinitialspace=True))[1:]
    for index, fields in enumerate(line for line in lines if line):
        if unit is None:
            when, cells = Fraction(index * 10**12, rate_hz), fields
        else:
            when, cells = Fraction(fields[0].replace(",", ".")) * 10 ** POWER[unit], fields[1:]
        ticks = int(abs(when) + Fraction(1, 2)) * (1 if when >= 0 else -1)
        if index == 0:
            origin = min(ticks, 0)
        ticks -= origin
        levels = "".join(cell_bits(c.strip(), *how)[::-1] for c, *how in zip(cells, sizes, bases, strict=True))
        if pending is not None and ticks > pending[0] and (not rows or rows[-1][1] != pending[1]):
            rows.append(pending)
        pending = (ticks, levels)
    if pending is not None and (not rows or rows[-1][1] != pending[1]):
        rows.append(pending)
    return rows
