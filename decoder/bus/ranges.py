"""Line ranges and bit ranges: "A0-A15", "D15-D0", "0-7", lists with commas."""

from __future__ import annotations

import re

from busledger.decoder.errors import ProfileError
from busledger.decoder.text import plain

__all__ = ["bit_numbers", "line_names"]

_LINE_RANGE = re.compile(r"^([A-Za-z_]+?[A-Za-z_]*)(\d+)([A-Za-z_]*)-\1(\d+)\3$")
_MOST = 256  # lines or bits in one range: wider than any bus, and "A0-A999999999" takes no memory
_NAME = re.compile(r"^[A-Za-z][A-Za-z0-9_]*$")


def line_names(text: str) -> tuple[str, ...]:
    """Every line of "A0-A3" or "D7-D0, RW", in the order written."""
    names: list[str] = []
    for part in (p.strip() for p in text.split(",")):
        match = _LINE_RANGE.match(part)
        if match:
            stem, low, tail, high = match.group(1), int(match.group(2)), match.group(3), int(match.group(4))
            names.extend(f"{stem}{n}{tail}" for n in _span(low, high, part))
        elif _NAME.match(part):
            names.append(part)
        else:
            raise ProfileError(f"'{part}' is not a line name", expected="a name such as RW, or a range such as A0-A15")
    return tuple(names)


def bit_numbers(text: str) -> tuple[int, ...]:
    """Every bit of "0-7" or "3" or "0-3, 8", in the order written."""
    bits: list[int] = []
    for part in (p.strip() for p in text.split(",")):
        ends = part.split("-")
        if len(ends) > 2 or not all(e.strip().isascii() and e.strip().isdigit() for e in ends):
            raise ProfileError(f"'{part}' is not a bit range", expected="a number or a range such as 0-15")
        bits.extend(_span(int(ends[0]), int(ends[-1]), part))
    return tuple(bits)


def _span(low: int, high: int, text: str) -> range:
    if abs(high - low) >= _MOST:
        raise ProfileError(f"'{plain(text, 60)}' is too wide a range", expected=f"at most {_MOST} lines or bits")
    step = 1 if high >= low else -1
    return range(low, high + step, step)
