"""In which base a vector column of a CSV is written, told by its first cells.

``0x`` and ``0b`` say it; so does a letter a to f. Else digits that are all 0 and 1 and more than
hexadecimal needs are binary, numbers with more digits or a greater value than hexadecimal has room for
are decimal, and so are many unpadded ones among which no a to f ever comes. All others are hexadecimal.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["BASE_NAMES", "BINARY", "DECIMAL", "DECIMAL_BITS", "HEX", "base_of"]

HEX, BINARY, DECIMAL = 2, 3, 4  # kinds of ``csv_kernel``
BASE_NAMES = {HEX: "hexadecimal", BINARY: "binary", DECIMAL: "decimal"}
DECIMAL_BITS = 58  # ten times 2^58 still is an int64
_MARKED_BINARY = re.compile(r"0b[01xz?]+")
# Sixteen different hexadecimal numbers of which none holds a letter: below 1 in 1800 if their last digits are even.
_TELLING = 16


def base_of(cells: Sequence[str], size: int) -> int:
    """HEX, BINARY or DECIMAL for a column of ``size`` bits that begins with ``cells``."""
    told = [cell for cell in (text.strip().lower() for text in cells) if re.search("[0-9a-f]", cell)]
    if not told:
        return HEX
    if all(_MARKED_BINARY.fullmatch(cell) for cell in told):
        return BINARY
    room = -(-size // 4)
    fits = all(len(cell.removeprefix("0x")) <= room for cell in told)
    if not fits and all(re.fullmatch("[01xz?]+", cell) for cell in told):
        return BINARY
    if any(cell.startswith("0x") or re.search("[a-f]", cell) for cell in told):
        return HEX
    numbers = [cell for cell in told if cell.isascii() and cell.isdigit()]
    if len(numbers) < len(told) or size > DECIMAL_BITS:
        return HEX  # x1 and the like: unknown digits have no place in a decimal
    too_big = any(len(cell.lstrip("0")) > room or int(cell, 16) >> size for cell in numbers)
    unpadded = len({len(cell) for cell in numbers}) > 1
    return DECIMAL if too_big or (unpadded and len({int(cell) for cell in numbers}) >= _TELLING) else HEX
