"""How a board file writes data lanes: ``"D0-D3"``, ``["D0", "D5"]``, ``"D4"``."""

from __future__ import annotations

import re
from collections.abc import Sequence

__all__ = ["lane_names", "parity_byte", "parse_lanes"]

_LANE = re.compile(r"[Dd](\d{1,2})")
_RANGE = re.compile(r"\s*[Dd](\d{1,2})\s*(?:-|–|\.\.)\s*[Dd]?(\d{1,2})\s*")
_PARITY = re.compile(r"[Pp](?:arity)?([0-3])?")
HIGHEST_LANE = 31


def parity_byte(text: object) -> int | None:
    """The byte whose ninth bit ``"P0"`` to ``"P3"`` (``"parity0"``) name, 0 = D0-D7; -1 for ``"P"``, all lanes of the
    region; None where it is no ninth bit."""
    found = _PARITY.fullmatch(text) if isinstance(text, str) else None
    return None if found is None else int(found[1] or -1)


def parse_lanes(text: str | Sequence[str]) -> tuple[int, ...]:
    """The data bit numbers that ``text`` names, in the order written.

    ``"D0-D3"`` gives (0, 1, 2, 3), ``"D7-D4"`` gives (7, 6, 5, 4); a list holds
    lanes or ranges. Raises ValueError with a sentence for the reader where the
    spelling is not a lane, the number is above 31 or a lane comes twice.
    """
    parts = [text] if isinstance(text, str) else list(text)
    if not parts:
        raise ValueError("no lane at all")
    bits: list[int] = []
    for part in parts:
        if not isinstance(part, str):
            raise ValueError(f"{part!r} is no lane")
        ranged = _RANGE.fullmatch(part)
        single = _LANE.fullmatch(part.strip())
        if ranged:
            first, last = int(ranged[1]), int(ranged[2])
            bits.extend(range(first, last + 1) if first <= last else range(first, last - 1, -1))
        elif single:
            bits.append(int(single[1]))
        else:
            raise ValueError(f'"{part}" is no lane')
    if max(bits) > HIGHEST_LANE:
        raise ValueError(f"D{max(bits)} is beyond the widest bus (D{HIGHEST_LANE})")
    if len(set(bits)) != len(bits):
        twice = next(b for b in bits if bits.count(b) > 1)
        raise ValueError(f"D{twice} is named twice")
    return tuple(bits)


def lane_names(bits: Sequence[int]) -> str:
    """Lanes as a person writes them: ``D0-D3``, ``D0, D5``; runs of three or more become ranges."""
    shown: list[str] = []
    ordered = sorted(bits)
    i = 0
    while i < len(ordered):
        j = i
        while j + 1 < len(ordered) and ordered[j + 1] == ordered[j] + 1:
            j += 1
        if j - i >= 2:
            shown.append(f"D{ordered[i]}-D{ordered[j]}")
        else:
            shown.extend(f"D{b}" for b in ordered[i : j + 1])
        i = j + 1
    return ", ".join(shown)
