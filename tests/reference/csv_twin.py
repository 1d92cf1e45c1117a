"""Slow twin of the CSV reader: the csv module, fractions and strings."""

from __future__ import annotations

import csv
import io
from fractions import Fraction

POWER = {"s": 12, "ms": 9, "us": 6, "ns": 3, "ps": 0}


def cell_bits(cell: str, size: int | None) -> str:
    """One letter of 0 1 x a bit, right-most last; size None is a plain level."""
    if size is None:
        return cell if cell in ("0", "1") else "x"
    digits = cell.lower().removeprefix("0x")
    if not digits or digits == "-":
        return "x" * size
    bits = "".join(f"{int(d, 16):04b}" if d in "0123456789abcdef" else "xxxx" for d in digits)
    fill = "0" if digits[0] in "0123456789abcdef" else "x"
    return (fill * size + bits)[-size:]


def read_csv(
    text: str, delimiter: str, unit: str | None, rate_hz: int, sizes: list[int | None]
) -> list[tuple[int, str]]:
    """(picoseconds, levels in column order, each vector right-most bit first) of each row that changes."""
    rows: list[tuple[int, str]] = []
    pending: tuple[int, str] | None = None
    lines = list(csv.reader(io.StringIO(text), delimiter=delimiter, skipinitialspace=True))[1:]
    for index, fields in enumerate(line for line in lines if line):
        if unit is None:
            when, cells = Fraction(index * 10**12, rate_hz), fields
        else:
            when, cells = Fraction(fields[0].replace(",", ".")) * 10 ** POWER[unit], fields[1:]
        ticks = int(when + Fraction(1, 2))
        levels = "".join(cell_bits(c.strip(), size)[::-1] for c, size in zip(cells, sizes, strict=True))
        if pending is not None and ticks > pending[0] and (not rows or rows[-1][1] != pending[1]):
            rows.append(pending)
        pending = (ticks, levels)
    if pending is not None and (not rows or rows[-1][1] != pending[1]):
        rows.append(pending)
    return rows
