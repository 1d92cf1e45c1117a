"""Spans of time as one exact integer of femtoseconds, read from and written as text.

A femtosecond is the finest tick that a capture may have (IEEE 1364-2005
18.2.3.7), so every file time is a whole number of them and nothing is rounded.
``format_duration`` and ``parse_duration`` undo each other, for both signs.
"""

from __future__ import annotations

import re

from busledger.decoder.errors import UsageError

__all__ = ["format_duration", "moment", "parse_duration"]

# Unit -> decimal places between it and a femtosecond.
_UNITS = {"s": 15, "ms": 12, "us": 9, "ns": 6, "ps": 3, "fs": 0}
_SPELLINGS = {"µs": "us", "μs": "us"}  # micro sign and Greek mu
_TEXT = re.compile(r"([+-]?)([0-9]*)(?:\.([0-9]*))? *([a-zµμ]+)", re.IGNORECASE | re.ASCII)
_SCALES = ((1.0, "s"), (1e-3, "ms"), (1e-6, "µs"))
_LONGEST = 40


def parse_duration(text: str) -> int:
    """Femtoseconds in ``text``: a decimal number and a unit, such as ``1.25ms``, ``300us``, ``-2s``.

    Raises
    ------
    UsageError
        No number, no unit, an unknown unit, or a fraction of a femtosecond.
    """
    shown = text.strip()
    match = _TEXT.fullmatch(shown) if len(shown) <= _LONGEST else None
    if match is None or not (match[2] or match[3]):
        raise _not_a_time(text)
    unit = _SPELLINGS.get(match[4].lower(), match[4].lower())
    if unit not in _UNITS:
        raise _not_a_time(text)
    places = _UNITS[unit]
    fraction = (match[3] or "").rstrip("0")
    if len(fraction) > places:
        raise UsageError(
            f"the time '{shown}' has a fraction of a femtosecond",
            expected=f"at most {places} decimals with the unit {unit}",
            hint="Write fewer decimals.",
        )
    size = int((match[2] or "0") + fraction.ljust(places, "0"))
    return -size if match[1] == "-" else size


def format_duration(femtoseconds: int) -> str:
    """Shortest exact text in the largest unit that is not above the value: 1250000000000 is ``1.25ms``."""
    size = abs(femtoseconds)
    sign = "-" if femtoseconds < 0 else ""
    if size == 0:
        return "0s"
    for unit, places in _UNITS.items():
        if size >= 10**places:
            whole, rest = divmod(size, 10**places)
            fraction = str(rest).rjust(places, "0").rstrip("0") if places else ""
            return f"{sign}{whole}.{fraction}{unit}" if fraction else f"{sign}{whole}{unit}"
    raise AssertionError("a femtosecond is the smallest unit")


def moment(seconds: float) -> str:
    """A time in the unit that reads best, three digits."""
    for scale, unit in _SCALES:
        if abs(seconds) >= scale:
            return f"{seconds / scale:.3g} {unit}"
    return f"{seconds * 1e9:.3g} ns"


def _not_a_time(text: str) -> UsageError:
    return UsageError(
        f"'{text}' is not a time",
        expected="a number with a unit (s, ms, us, ns, ps, fs), such as 1.25ms, 300us or 2s",
    )
