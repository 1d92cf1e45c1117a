"""The accesses behind a list of errors: what the memory test must have written and read, as rows for the diagnosis.

The test's program is not seen, only its errors. It is taken to fill all that it tests and then to read it back, upward;
``WAYS`` names other ways, for the caller to try where this one does not explain the list.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.errors_list import Pattern

__all__ = ["MOST_ROWS", "WAYS", "ListedAccesses"]

WAYS = {
    "up": "filled all of it, then read it back, upward",
    "down": "filled all of it, then read it back, downward",
    "march": "read each cell and turned it over in one step, upward and then downward",
}
MOST_ROWS = 2_000_000  # about 90 bytes each; more passes than fit are not weighed
_SPREAD = 40503  # Knuth's multiplier for 16 bits (The Art of Computer Programming 3, 6.4): it scatters neighbours
_OPPOSITE = 0.9  # of the errors
_MANY_LANES = 3  # failing in a region: fewer are no sign of a bus that nobody drives
_TICKS = 1000  # between accesses; the list knows no times

Words = NDArray[np.int64]


@dataclass(frozen=True)
class ListedAccesses:
    """What was gone over, and what came back wrong.

    Attributes
    ----------
    words : int64 (words,): addresses gone over, ascending
    right : bool (words,): what is not listed came back right; else nothing is known of it
    address, wrote, read : int64 (errors,), in the list's order, each address among ``words``
    pattern : what was written; unknown = other words get figures drawn anew for each pass
    failing : int64 (words,): lanes that came back wrong anywhere in the word's region
    passes : how often each round was gone over, stated; None = as often as the list needs
    data_bits, bus_bits : width of one figure of data, and of the bus
    even_low : a byte at an even address is on D0-D7
    """

    words: Words
    right: NDArray[np.bool_]
    address: Words
    wrote: Words
    read: Words
    pattern: Pattern
    failing: Words
    passes: int | None
    data_bits: int
    bus_bits: int
    even_low: bool = True

    @property
    def rounds(self) -> int:
        """Rounds of one pass."""
        return max(1, len(self.pattern.rounds))

    @property
    def ways(self) -> tuple[str, ...]:
        """The ways in which this pattern may have been written, the likeliest first.

        Where every cell gets the same figure, up and down are one. A figure and its opposite, and each read where the
        other was due: so marches fail, and hardly anything else.
        """
        if self.pattern.rule:
            return "up", "down"
        turned = (1 << self.data_bits) - 1
        rounds = self.pattern.rounds
        if len(rounds) != 2 or rounds[0] ^ rounds[1] != turned:
            return ("up",)
        opposite = float(((self.wrote ^ self.read) == turned).mean())
        return ("march", "up") if opposite > _OPPOSITE else ("up", "march")

    def placed(self) -> tuple[Words, Words]:
        """(pass, round) of each error. The list does not say which pass an error belongs to: those of a word fall in
        as many passes, begun at one that differs from word to word, so that no pass is made worse than another."""
        times, round_ = self._times()
        begun = (self.address * _SPREAD >> 16) % self.weighed if self.passes else np.int64(0)
        return (times + begun) % self.weighed, round_

    def _times(self) -> tuple[Words, Words]:
        """(how often the word was listed before in this round, round) of each error."""
        round_ = np.maximum(self.pattern.round_of(self.address, self.wrote), 0)
        group = self.address * self.rounds + round_
        order = np.argsort(group, kind="stable")
        times = np.empty(len(group), np.int64)
        times[order] = np.arange(len(group)) - np.searchsorted(group[order], group[order])
        return times, round_

    @cached_property
    def weighed(self) -> int:
        """Passes that are weighed: as many as were stated and fit, at least as many as the list needs."""
        needed = int(self._times()[0].max(initial=0)) + 1
        fit = MOST_ROWS // max(1, 2 * len(self.words) * self.rounds)
        return max(needed, min(self.passes or needed, fit))

    def blocks(self, way: str) -> Iterator[Cycles]:
        """The accesses, a block a round of a pass, ``region`` not filled."""
        pass_, round_ = self.placed()
        where = np.searchsorted(self.words, self.address)
        first = 0
        for number in range(self.weighed):
            of_pass = pass_ == number
            rows = [self._round(number, r, where, of_pass & (round_ == r)) for r in range(self.rounds)]
            march = way == "march"
            made = [_march(rows, len(self.words))] if march else [_fill(one, way == "down") for one in rows]
            for block in made:
                cycles = self._cycles(*block, first)
                first += len(cycles)
                yield cycles

    def _round(self, pass_: int, round_: int, where: Words, mine: NDArray[np.bool_]) -> _Round:
        if self.pattern.known:
            wrote, unknown = self.pattern.written(self.words, round_), np.zeros(len(self.words), np.int64)
        else:
            drawn = np.random.default_rng(pass_)
            wrote, unknown = drawn.integers(0, 1 << self.data_bits, len(self.words)), self.failing.copy()
        wrote[where[mine]] = self.wrote[mine]
        unknown[where[mine]] = 0
        read = wrote.copy()
        read[where[mine]] = self.read[mine]
        seen = self.right.copy()
        seen[where[mine]] = True
        return _Round(np.arange(len(self.words)), wrote, read, unknown, seen)

    def _cycles(self, word: Words, is_write: NDArray[np.bool_], data: Words, unknown: Words, first: int) -> Cycles:
        cycles = Cycles.empty(len(word))
        address = self.words[word]
        shift = np.zeros(len(word), np.int64)
        if self.bus_bits > self.data_bits:  # a byte of a wider bus: its lane follows from the address
            lane = address % (self.bus_bits // 8)
            shift = 8 * (lane if self.even_low else self.bus_bits // 8 - 1 - lane)
        mask = (1 << self.data_bits) - 1
        full = (1 << self.bus_bits) - 1
        cycles.sample[:] = np.arange(first, first + len(word))
        cycles.time[:] = (cycles.sample + 1) * _TICKS
        cycles.kind[:] = np.where(is_write, int(Kind.WRITE), int(Kind.READ))
        cycles.address[:] = address
        cycles.data[:] = ((data & ~unknown) & mask) << shift
        cycles.data_unknown[:] = (full & ~(mask << shift)) | (unknown << shift)
        cycles.kept[:] = (self._at_rest(word, data) & mask) << shift
        cycles.width[:] = ((1 << max(1, self.data_bits // 8)) - 1) << (shift // 8)
        return cycles

    def _at_rest(self, word: Words, data: Words) -> Words:
        """What a bus that nobody drives is taken to show: what was read wrong most often.

        The list does not show it. Where a region fails on a few lanes only, the others are taken as not at rest by
        chance at what was written: else a missing select would explain any single lane.
        """
        values, times = np.unique(self.read, return_counts=True)
        mode = int(values[np.argmax(times)]) if len(values) else 0
        failing = self.failing[word]
        many = sum((failing >> bit) & 1 for bit in range(self.data_bits)) >= _MANY_LANES
        made: Words = np.where(many, mode, (mode & failing) | (~data & ~failing))
        return made


@dataclass(frozen=True)
class _Round:
    """One round: a row a word; ``seen``: its read is known."""

    word: Words
    wrote: Words
    read: Words
    unknown: Words
    seen: NDArray[np.bool_]


_Rows = tuple[Words, NDArray[np.bool_], Words, Words]


def _fill(one: _Round, downward: bool) -> _Rows:
    step = slice(None, None, -1 if downward else 1)
    seen = one.seen[step]
    word = np.concatenate([one.word[step], one.word[step][seen]])
    data = np.concatenate([one.wrote[step], one.read[step][seen]])
    unknown = np.concatenate([one.unknown[step], one.unknown[step][seen]])
    return word, np.arange(len(word)) < len(seen), data, unknown


def _march(rounds: list[_Round], words: int) -> _Rows:
    """Written with the first figure; upward: read it, write the second; downward: read that, write the first."""
    one, zero = np.ones(words, np.int64), np.zeros(words, np.int64)
    parts = [(rounds[0].word, one, rounds[0].wrote, rounds[0].unknown, one)]  # word, is a write, data, unknown, kept
    for held, then, step in ((rounds[0], rounds[1], 1), (rounds[1], rounds[0], -1)):
        order = slice(None, None, step)
        parts.append(
            (
                _by_turns(held.word[order], held.word[order]),
                _by_turns(zero, one),
                _by_turns(held.read[order], then.wrote[order]),
                _by_turns(held.unknown[order], then.unknown[order]),
                _by_turns(held.seen[order].astype(np.int64), one),
            )
        )
    word, is_write, data, unknown, seen = (np.concatenate(column) for column in zip(*parts, strict=True))
    kept = seen != 0
    return word[kept], is_write[kept] != 0, data[kept], unknown[kept]


def _by_turns(first: Words, second: Words) -> Words:
    """The first of one, the first of the other, the second of one, …"""
    both: Words = np.stack([first, second], axis=1).ravel()
    return both
