"""How a program walks through its addresses, whatever lies there: where one line is out of place in it.

Code and data follow each other, some fetches between two of the data. An access that has the next address with one line
the other way is not where the program goes; a card's fault leaves all of them in place, for the addresses are the
processor's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import LN2, SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic

__all__ = ["OutOfLine", "Walk", "log_gone_past", "walks"]

_NEAR = (1, 8)  # accesses before and after: code alone, and what instructions fetch between two of their data
_AFTER = 4  # accesses after one, in which a program goes on from it
# Beta prior, judged: how often a program of its own puts an access between two that lie two addresses apart, with just
# one line of the address between them the other way; seldom it does so at any rate, among a few words that it uses by
# turns.
_BY_CHANCE, _BY_TURNS = (0.3, 3.0e3), 0.01
# Judged: of the words that a program uses, those that it goes on from to just the other side of a line; Beta priors of
# how often it does so from those, and from the others.
_BRANCHES, _ANY, _NEVER = 0.01, (0.5, 0.5), (0.1, 1.0e3)
_PAST_AT_MOST = 30.0  # nats of all places together, each told once, however often: a program has phases. Judged
_LOG_TURN = math.log(1e-3)  # judged: that a program turns aside to just the other side of a line, at a given place


@dataclass(frozen=True)
class OutOfLine:
    """Accesses out of line by one line, seen at ``level``: ticks int64 of those that are ``out`` and of others that
    could have been, and the ``log_told`` odds of what else is out of line against a program that goes so itself; the
    clip's own rate is to be had beside it."""

    level: int
    out: NDArray[np.int64]
    in_line: NDArray[np.int64]
    log_told: float

    @property
    def log_odds(self) -> float:
        """Log odds of a clip that shows the level at times, against a program that goes so by itself."""
        return self.log_told + log_rate(len(self.out), len(self.in_line), SOMETIMES)


@dataclass(frozen=True)
class Walk:
    """The accesses between two that lie two addresses apart, outside the regions too: int64, ticks, the address that a
    program which walks on would give, and how what was seen differs from it; and ``when`` all accesses were, and the
    ``word`` of each, ``step`` addresses long."""

    when: NDArray[np.int64]
    word: NDArray[np.int64]
    step: int
    time: NDArray[np.int64]
    given: NDArray[np.int64]
    off: NDArray[np.int64]

    @classmethod
    def of(cls, story: Story, near: int) -> Self:
        """``near``: how many accesses before and after are looked at."""
        time, address = traffic(story)
        step = 1 << story.study.cells.shift
        word = address // step
        near = min(near, max(0, len(word) - 1))
        given, in_line = np.full(len(word), -1, np.int64), np.zeros(len(word), np.bool_)
        for back in range(1, near + 1):
            meant = np.full(len(word), -1, np.int64)
            meant[back:] = word[:-back] + 1
            beside = np.zeros(len(word), np.bool_)
            for far in range(1, near + 1):
                beside[:-far] |= word[far:] == meant[:-far] + 1
            there = beside & (meant >= 0) & (np.bitwise_count(meant ^ word) <= 1)
            given = np.where(there & ~in_line, meant, given)
            in_line |= there & (meant == word)
        # One that is read again, or written back, is no step of a walk: it would be out of line by the lowest line.
        again = np.zeros(len(word), np.bool_)
        for far in range(1, near + 1):
            same = word[far:] == word[:-far]
            again[far:] |= same
            again[:-far] |= same
        kept = np.flatnonzero((given >= 0) & (in_line | ~again))
        return cls(time, word, step, time[kept], given[kept] * step, (word[kept] ^ given[kept]) * step)

    def by_line(self, bit: int) -> list[OutOfLine]:
        """Those out of line by the address bit, seen low, and seen high."""
        found = []
        for level in (0, 1):
            other = self.given >> bit & 1 != level
            found.append((np.flatnonzero(other & (self.off == 1 << bit)), np.flatnonzero(other & (self.off == 0))))
        none = found[0][0][:0]
        made = []
        for level, (out, in_line) in enumerate(found):
            by_itself = [self._log_by_itself((some, in_line), found[1 - level]) for some in (out, none)]
            made.append(OutOfLine(level, self.time[out], self.time[in_line], by_itself[1] - by_itself[0]))
        return made

    def _log_by_itself(self, *levels: tuple[NDArray[np.intp], NDArray[np.intp]]) -> float:
        """Log probability of which accesses a program puts out of line and which in line, seen at either level: what it
        does by itself it does either way; or always at the same words, as in a loop."""
        out, in_line = (np.concatenate([level[k] for level in levels]) for k in (0, 1))
        even = [(_BY_CHANCE, math.log1p(-_BY_TURNS)), (SOMETIMES, math.log(_BY_TURNS))]
        ways = [log_rate(len(out), len(in_line), prior) + share for prior, share in even]
        of = np.unique(self.given[np.concatenate([out, in_line])], return_inverse=True)[1]
        on, off = (np.bincount(some, minlength=int(of.max(initial=0)) + 1) for some in (of[len(out) :], of[: len(out)]))
        return log_sum([*ways, _log_going(on, off)]) - LN2

    def put_right(self, bit: int, astray: NDArray[np.int64]) -> tuple[float, int, int]:
        """Log odds of the addresses as they are if those at the ticks ``astray`` had the line the other way, against as
        they were seen; and how often the program goes on with the line the other way, as seen and put right."""
        right = self.word.copy()
        right[np.isin(self.when, astray)] ^= (1 << bit) // self.step
        seen, righted = (_goes_on(word, (1 << bit) // self.step) for word in (self.word, right))
        turns, left = int(seen[1].sum()), int(righted[1].sum())
        return min(_log_going(*righted) - _log_going(*seen), -_LOG_TURN * (turns - left)), turns, left


def log_gone_past(story: Story, bit: int, first: int, last: int) -> float:
    """Log odds of a clip that was off the address line ``bit`` from tick ``first`` to ``last``, against a program that
    left the line alone, by how the program goes on from words after which the line changes: to the next one but for the
    line, where it never did so outside that time. A loop does so too, but in few places."""
    time, address = traffic(story)
    step = 1 << story.study.cells.shift
    word, line = address // step, (1 << bit) // step
    if not line or len(word) < 2:
        return 0.0
    crossing = ((word + 1) ^ word) & line != 0
    inside = (time > first) & (time <= last)
    on, off = _going_on(word, line)
    of = np.unique(word, return_inverse=True)[1]
    went_on, went_off = (np.bincount(of, way & crossing & ~inside) for way in (on, off))
    past = np.bincount(of, off & crossing & inside)
    places = int(np.count_nonzero((past > 0) & (went_off == 0)))
    # What it does elsewhere from other words, in phases of its own, it may do here from these.
    others = int(np.count_nonzero(went_off)), int(np.count_nonzero((went_on > 0) & (went_off == 0)))
    rate = max(_BRANCHES, (others[0] + 0.5) / (sum(others) + 1.0)) if others[0] else _BRANCHES
    return min(_PAST_AT_MOST, -math.log(rate) * places)


def walks(story: Story) -> Sequence[Walk]:
    """One of each that is looked at."""
    return [Walk.of(story, near) for near in _NEAR]


def _goes_on(word: NDArray[np.int64], bit: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Of each word that is used: how often one of the few accesses after it is at the next word; and how often none is,
    but one at that with ``bit`` the other way."""
    on, off = _going_on(word, bit)
    of = np.unique(word, return_inverse=True)[1]
    return np.bincount(of, on).astype(np.int64), np.bincount(of, off).astype(np.int64)


def _going_on(word: NDArray[np.int64], bit: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """The same of each access, bool."""
    after = word + 1
    on, off = np.zeros(len(word), np.bool_), np.zeros(len(word), np.bool_)
    for far in range(1, min(_AFTER, len(word) - 1) + 1):
        on[:-far] |= word[far:] == after[:-far]
        # With the lowest line the other way it would lie beside itself: an address that is read again is polled.
        off[:-far] |= (word[far:] == after[:-far] ^ bit) & (word[far:] != word[:-far])
    return on, off & ~on


def _log_going(on: NDArray[np.int64], off: NDArray[np.int64]) -> float:
    """Log probability of how often each word is gone on from with a line the other way: next to never, or, of a few,
    at any rate, for programs branch."""
    ways, often = np.unique(np.stack([on, off])[:, (on > 0) | (off > 0)], axis=1, return_counts=True)
    found = 0.0
    for went_on, went_off, times in zip(*ways.tolist(), often.tolist(), strict=True):
        never = math.log1p(-_BRANCHES) + log_rate(went_off, went_on, _NEVER)
        found += times * log_sum([never, math.log(_BRANCHES) + log_rate(went_off, went_on, _ANY)])
    return found
