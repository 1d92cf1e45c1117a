"""What a memory test wrote, guessed from the errors it printed: one figure everywhere, or one of the address.

Old tests fill memory with a constant (00, FF, 55, AA, a walking bit), or with the address itself, its halves added or
exclusive-ored, often with the pass number added. Whatever it was, what is not listed was written by the same rule.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Pattern", "pattern_of"]

Words = NDArray[np.int64]

_MOST_ROUNDS = 16
_SHARE = 0.97  # of the errors must fit, the rest may be misread lines
_RULES: dict[str, Callable[[Words], Words]] = {
    "": lambda a: np.zeros_like(a),
    "the low half of the address": lambda a: a,
    "the high half of the address": lambda a: a >> 8,
    "the halves of the address exclusive-ored": lambda a: a ^ (a >> 8),
    "the halves of the address added": lambda a: a + (a >> 8),
}


@dataclass(frozen=True)
class Pattern:
    """``rule`` names a function of the address (empty = none); each round writes it combined with one of ``rounds``.

    ``added``: the round's figure is added, else exclusive-ored. ``known`` False: no rule was found.
    """

    rule: str
    rounds: tuple[int, ...]
    added: bool
    data_bits: int
    shift: int = 0
    known: bool = True

    def written(self, address: Words, round_: int) -> Words:
        """int64 an address: what was written there in a round (its index in ``rounds``)."""
        base, mask = _RULES[self.rule](address >> self.shift), (1 << self.data_bits) - 1
        return (base + self.rounds[round_] if self.added else base ^ self.rounds[round_]) & mask

    def round_of(self, address: Words, wrote: Words) -> Words:
        """int64 an error: the index of its round, -1 where it fits none."""
        rest = _rest(self.rule, address >> self.shift, wrote, self.added, self.data_bits)
        found = np.full(rest.shape, -1, np.int64)
        for number, value in enumerate(self.rounds):
            found[rest == value] = number
        return found

    @property
    def told(self) -> str:
        """In words, to be read after "written"."""
        if not self.known:
            return "figures that follow no rule known here"
        digits = (self.data_bits + 3) // 4
        values = ", ".join(f"{value:0{digits}X}" for value in self.rounds)
        if not self.rule:
            return f"{values} everywhere" if len(self.rounds) == 1 else f"{values} everywhere, one after another"
        if self.rounds == (0,):
            return self.rule
        mask = (1 << self.data_bits) - 1
        if not self.added and self.rounds == (mask,):
            return f"{self.rule}, inverted"
        return f"{self.rule}, {'plus' if self.added else 'exclusive-ored with'} {values}"


def pattern_of(address: Words, wrote: Words, data_bits: int, shift: int = 0) -> Pattern:
    """The simplest rule that gives what was written.

    Parameters
    ----------
    address, wrote : int64 (errors,)
    data_bits : width of one figure of data
    shift : address bits inside one figure (1 where 16 bits are written at even addresses)
    """
    unknown = Pattern("", (), False, data_bits, shift, known=False)
    if not len(address):
        return unknown
    different = len(np.unique(wrote))
    best: tuple[int, Pattern] | None = None
    for rule in _RULES:
        for added in (False, True) if rule else (False,):
            rest = _rest(rule, address >> shift, wrote, added, data_bits)
            values = _common(rest)
            if len(values) > _MOST_ROUNDS:
                continue
            # A rule must be met more often than chance makes it: three different figures for one that stays.
            enough = len(values) <= 2 or len(rest) >= 2 * len(values) if not rule else different >= 3 * len(values)
            if enough and (best is None or len(values) < best[0]):
                best = (len(values), Pattern(rule, values, added, data_bits, shift))
    return best[1] if best is not None else unknown


def _rest(rule: str, words: Words, wrote: Words, added: bool, data_bits: int) -> Words:
    base, mask = _RULES[rule](words), (1 << data_bits) - 1
    return (wrote - base if added else wrote ^ base) & mask


def _common(rest: Words) -> tuple[int, ...]:
    """The values that make up nearly all of ``rest``, in the order of their first coming."""
    values, first, times = np.unique(rest, return_index=True, return_counts=True)
    by_times = np.argsort(-times, kind="stable")
    needed = int(np.searchsorted(np.cumsum(times[by_times]), _SHARE * len(rest))) + 1
    chosen = by_times[:needed]
    return tuple(int(values[k]) for k in chosen[np.argsort(first[chosen], kind="stable")])
