"""March notation: ``any(w0); up(r0,w1); dn(r1,w0)``, with ``wait`` for a pause."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

__all__ = ["Element", "elements_of", "turned_pairs"]


class Element(NamedTuple):
    """Operations on each cell in turn; ``down`` from the last cell to the first; no operations = a wait."""

    text: str
    down: bool
    ops: tuple[str, ...]


def elements_of(text: str) -> tuple[Element, ...]:
    """The elements of a test, in order. ``any`` is gone through upwards."""
    found = []
    for part in (part.strip() for part in text.split(";")):
        order, _, body = part.partition("(")
        ops = tuple(op.strip() for op in body.rstrip(")").split(",")) if body else ()
        found.append(Element(part, order == "dn", ops))
    return tuple(found)


def turned_pairs(elements: tuple[Element, ...]) -> tuple[tuple[Element, ...], ...]:
    """The same elements, two neighbours that differ in nothing but 0 and 1 taken together: one loop does both."""
    grouped: list[tuple[Element, ...]] = []
    skip = False
    for one, other in pairwise((*elements, Element("", False, ()))):
        if skip:
            skip = False
            continue
        skip = bool(one.ops) and one.down == other.down and one.ops == tuple(_turned(op) for op in other.ops)
        grouped.append((one, other) if skip else (one,))
    return tuple(grouped)


def _turned(op: str) -> str:
    return op[0] + ("1" if op[1] == "0" else "0")
