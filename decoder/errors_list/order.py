"""Which figure of a line is the address, which was written, which was read: the orders tried, the best kept.

An order is better the more lines fit it: the address in memory, both data no wider than the bus, and different. Where
several fit, words before the figures decide (WROTE, EXPECTED, READ, GOT), then the widest figure is the address, then
what follows a test's rule was written, then the order that most tests print: address, written, read.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.errors_list.columns import FIELDS, SKIP, MachineBus
from busledger.decoder.errors_list.figures import Figure
from busledger.decoder.errors_list.pattern import pattern_of

__all__ = ["Found", "best_order", "fits"]

_LOOKED_AT = 400  # lines
_POSITIONS = 6
_LABELS: dict[str, tuple[str, ...]] = {
    "address": ("ADDR", "LOC", "AT", "CELL"),
    "wrote": ("W", "EXP", "SHOULD", "SENT", "WANT", "GOOD", "PUT", "SB", "BE"),
    "read": ("R", "GOT", "GET", "FOUND", "ACT", "IS", "SAW", "HAS", "WAS"),
}
_SURE = 0.9


class Found(NamedTuple):
    """An order, how many of the lines looked at fit it, and what is not sure about it (empty = nothing)."""

    order: tuple[str, ...]
    fitting: int
    doubt: str


class _Tried(NamedTuple):
    places: tuple[int, int, int]
    fitting: int
    labels: int
    digits: float
    rule: float


def best_order(lines: Sequence[Sequence[Figure]], bus: MachineBus) -> Found | None:
    """The best order for lines with equally many figures; None where no line fits any."""
    looked = lines[:_LOOKED_AT]
    figures = min(len(looked[0]), _POSITIONS)
    values = np.array([[one.value for one in line[:figures]] for line in looked], np.int64)
    digits = np.array([[one.digits for one in line[:figures]] for line in looked], np.float64).mean(axis=0)
    tried = []
    for address, wrote, read in itertools.permutations(range(figures), len(FIELDS)):
        places = (address, wrote, read)
        fitting = fits(values[:, address], values[:, wrote], values[:, read], bus)
        if fitting.any():
            said = sum(_labelled(line[k].label) == f for line in looked for k, f in zip(places, FIELDS, strict=True))
            tried.append(_Tried(places, int(fitting.sum()), said, float(digits[address]), 0.0))
    if not tried:
        return None
    good = [one for one in tried if one.fitting >= _SURE * max(one.fitting for one in tried)]
    good = [one for one in good if one.labels == max(one.labels for one in good)]
    good = [one for one in good if one.digits == max(one.digits for one in good)]
    if figures > len(FIELDS):  # among others, the three stand together, and most tests begin with the address
        for together in (_beside, _after_the_address):
            good = [one for one in good if together(one.places)] or good
    good = [one._replace(rule=_follows(values[:, one.places[0]], values[:, one.places[1]], bus)) for one in good]
    simplest = max(one.rule for one in good)
    best = next(one for one in good if one.rule == simplest)  # permutations come with address, wrote, read first
    swapped = (best.places[0], best.places[2], best.places[1])
    tied = any(one.places == swapped and one.rule == simplest for one in good)
    doubt = "which of the two is what was written, and which was read, the list does not show" if tied else ""
    order = tuple(next((f for k, f in zip(best.places, FIELDS, strict=True) if k == at), SKIP) for at in range(figures))
    while order[-1] == SKIP:
        order = order[:-1]
    return Found(order, best.fitting, doubt)


def _beside(places: tuple[int, int, int]) -> bool:
    return max(places) - min(places) == len(FIELDS) - 1


def _after_the_address(places: tuple[int, int, int]) -> bool:
    return _beside(places) and places[0] == min(places)


def fits(
    address: NDArray[np.int64], wrote: NDArray[np.int64], read: NDArray[np.int64], bus: MachineBus
) -> NDArray[np.bool_]:
    """bool a line: an address in memory, and two different figures no wider than the data bus."""
    widest = (1 << bus.data_bits) - 1
    made: NDArray[np.bool_] = bus.holds(address) & (wrote <= widest) & (read <= widest) & (wrote != read)
    return made


def _labelled(label: str) -> str:
    """The field that a word before a figure names; empty where it names none."""
    if not label:
        return ""
    for field, words in _LABELS.items():
        if any(label == word if len(word) < 3 else label.startswith(word) for word in words):
            return field
    return {"WR": "wrote", "RD": "read"}.get(label[:2], "read" if label.startswith("REA") else "")


def _follows(address: NDArray[np.int64], wrote: NDArray[np.int64], bus: MachineBus) -> float:
    """How simple a rule gives ``wrote``: what was written follows one, what came back need not."""
    pattern = pattern_of(address, wrote, bus.data_bits)
    if not pattern.known:
        return -99.0
    widest = (1 << bus.data_bits) - 1
    plain = {0, widest}
    turned = {widest // 3, widest // 3 * 2}  # 55, AA: a test's own figures, which no dead bank gives by itself
    usual = set(pattern.rounds) <= plain if pattern.rule else not set(pattern.rounds) - plain - turned
    usual = usual and (bool(pattern.rule) or bool(turned & set(pattern.rounds)))
    return (0.5 if usual else 0.0) - float(len(pattern.rounds))
