"""Which data bit and which high address bit a channel is: bytes read as operands turn up as addresses soon after.

Operands, vectors and pulled return addresses all do. An event is a cycle whose address does not simply follow on,
with what was read some cycles before. The right order of bits is the one under which most different events show the
whole of the byte; two channels are told apart by the events that show it one way round and not the other.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.wiring.traffic import Bits, Ints

__all__ = ["Order", "Placed", "Witness", "best_order", "confidence", "witnesses"]

_LAGS = (1, 2, 3, 4, 5, 6)
_WALK = 24
_ROUNDS = 40


@dataclass(frozen=True, slots=True)
class Witness:
    """Events of one lag: ``now``, the cycles of the addresses, and ``then``, those of the bytes before them (int64)."""

    now: Ints
    then: Ints

    def take(self, rows: Bits) -> Witness:
        return Witness(self.now[rows], self.then[rows])


@dataclass(frozen=True, slots=True)
class Placed:
    """One bit's ``channel``; ``events`` speak for it; ``rival``: the channel that fits nearly as well, or -1."""

    channel: int
    sure: float
    events: int
    rival: int


@dataclass(frozen=True, slots=True)
class Order:
    """``places``: bit → its channel. ``events`` show all of the bits."""

    places: Mapping[int, Placed]
    events: tuple[Witness, ...]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """``agree`` bool (bits, pool, events): whether a channel agrees with a bit; ``level`` bool (bits, events)."""

    agree: Bits
    level: Bits


def witnesses(steps: Ints, rest: Ints, values: Ints) -> list[Witness]:
    """For each lag every different (value, address) of a jump, once.

    ``steps`` int64 (cycles,): the known low part of the address; ``rest``: its other lines as a number; ``values``:
    data as numbers. Where a loop walks through memory its bytes may count up as its addresses do: a cycle that goes on
    where one of the last cycles was does not count.
    """
    walks = np.zeros(len(steps), bool)
    for lag in range(1, _WALK + 1):
        walks[lag:] |= (np.abs(steps[lag:] - steps[:-lag]) == 1) & (rest[lag:] == rest[:-lag])
    found = []
    for lag in _LAGS:
        now = np.arange(lag, len(steps))
        now = now[(np.abs(steps[now] - steps[now - 1]) > 1) & ~walks[now]]
        if len(now):
            once = np.unique(np.stack([values[now - lag], steps[now], rest[now]]), axis=1, return_index=True)[1]
            now = np.sort(now[once])
        found.append(Witness(now, now - lag))
    return found


def confidence(seen: int, second: int) -> float:
    """Of a choice that ``seen`` witnesses speak for and ``second`` for its rival."""
    if seen <= second:
        return 0.4
    return 1 - 0.5 * float(np.exp(-((seen - second) ** 2) / (seen + second + 1) / 2))


def best_order(
    data: Bits, address: Bits, events: Sequence[Witness], bits: Mapping[int, tuple[Sequence[int], Sequence[int]]]
) -> Order:
    """Which channel is which bit, so that most events show all bits; where bits outnumber channels, some have none.

    ``bits``: bit → (data channels, address channels) that it may be; one of the two is a single channel that is known,
    the other is to be found, and every bit's choice is among the same channels. ``data`` and ``address`` are bool
    (cycles, channels).
    """
    kept = [event for event in events if len(event.now)]
    if not bits or not kept:
        return Order({}, ())
    names = list(bits)
    pool, sheets = _sheets(data, address, kept, bits)
    best: tuple[int, list[int]] | None = None
    for sheet in sheets:
        order = _climb([sheet], _first_guess(sheet))
        worth = int(_whole(sheet, order).sum())
        if best is None or worth > best[0]:
            best = worth, order
    assert best is not None
    # The lag at which most bytes turn up leads; others count as far as they agree with it.
    useful = [s for s in sheets if _whole(s, best[1]).sum() >= max(3, 0.03 * s.agree.shape[2])] or sheets
    order = _climb(useful, best[1])
    places = {
        names[place]: _placed(useful, order, place, pool) for place, choice in enumerate(order) if pool[choice] >= 0
    }
    return Order(places, tuple(e.take(_whole(sheet, order)) for e, sheet in zip(kept, sheets, strict=True)))


def _sheets(
    data: Bits, address: Bits, events: Sequence[Witness], bits: Mapping[int, tuple[Sequence[int], Sequence[int]]]
) -> tuple[list[int], list[_Sheet]]:
    """(channels to choose from, -1 for none; a sheet for each lag)."""
    open_data = len(next(iter(bits.values()))[0]) > 1
    pool = list(next(iter(bits.values()))[0 if open_data else 1])
    known = [int(pair[1 if open_data else 0][0]) for pair in bits.values()]
    none = max(0, len(bits) - len(pool))
    sheets = []
    for event in events:
        then, now = data[event.then], address[event.now]
        level, free = (now[:, known], then[:, pool]) if open_data else (then[:, known], now[:, pool])
        agree = level.T[:, None, :] == free.T[None, :, :]
        sheets.append(_Sheet(np.pad(agree, ((0, 0), (0, none), (0, 0)), constant_values=True), level.T))
    return [*pool, *([-1] * none)], sheets


def _first_guess(sheet: _Sheet) -> list[int]:
    """By agreement beyond chance, bit by bit; every value that a byte takes has one vote in all."""
    from scipy.optimize import linear_sum_assignment

    _, which, often = np.unique(sheet.level, axis=1, return_inverse=True, return_counts=True)
    weight = 1.0 / often[which.reshape(-1)]
    agree = (sheet.agree * weight).sum(axis=2) / weight.sum()
    score = agree - agree.mean(axis=0, keepdims=True) - agree.mean(axis=1, keepdims=True)
    return [int(c) for c in linear_sum_assignment(-score)[1]]


def _whole(sheet: _Sheet, order: Sequence[int]) -> Bits:
    """Events in which every bit agrees."""
    return np.asarray(sheet.agree[np.arange(len(order)), list(order)].all(axis=0))


def _exchanges(order: Sequence[int], pool: int) -> list[list[int]]:
    """Every order that differs by two bits exchanged, or by one channel from outside."""
    outside = sorted(set(range(pool)) - set(order))
    made = []
    for place in range(len(order)):
        for other in range(place):
            swapped = list(order)
            swapped[place], swapped[other] = swapped[other], swapped[place]
            made.append(swapped)
        for channel in outside:
            made.append([*order[:place], channel, *order[place + 1 :]])
    return made


def _climb(sheets: Sequence[_Sheet], order: list[int]) -> list[int]:
    """The best order that exchanges lead to."""
    best = _soft(sheets, order)
    for _ in range(_ROUNDS):
        tried = [(_soft(sheets, other), other) for other in _exchanges(order, sheets[0].agree.shape[1])]
        worth, other = max(tried, default=(best, order))
        if worth <= best:
            break
        best, order = worth, other
    return order


def _soft(sheets: Sequence[_Sheet], order: Sequence[int]) -> float:
    """Events with all bits, and a little for those that miss one or two."""
    total = 0.0
    for sheet in sheets:
        missed = len(order) - sheet.agree[np.arange(len(order)), list(order)].sum(axis=0)
        counts: NDArray[np.int64] = np.bincount(missed, minlength=3)
        total += float(counts[0]) + 0.05 * float(counts[1]) + 0.01 * float(counts[2])
    return total


def _placed(sheets: Sequence[_Sheet], order: Sequence[int], place: int, pool: Sequence[int]) -> Placed:
    """How sure one bit is: of its rivals, and of its following both levels."""
    here = [_whole(sheet, order) for sheet in sheets]
    worst, seen, rival = 1.0, sum(int(w.sum()) for w in here), -1
    for other in _exchanges(order, sheets[0].agree.shape[1]):
        if other[place] == order[place]:
            continue
        there = [_whole(sheet, other) for sheet in sheets]
        mine = sum(int((a & ~b).sum()) for a, b in zip(here, there, strict=True))
        theirs = sum(int((b & ~a).sum()) for a, b in zip(here, there, strict=True))
        if confidence(mine, theirs) < worst:
            worst, seen, rival = confidence(mine, theirs), mine, pool[other[place]]
    ones = zeros = alone = 0
    for sheet, whole in zip(sheets, here, strict=True):
        ones += int((whole & sheet.level[place]).sum())
        zeros += int((whole & ~sheet.level[place]).sum())
        missed = len(order) - sheet.agree[np.arange(len(order)), list(order)].sum(axis=0)
        alone += int(((missed == 1) & ~sheet.agree[place, order[place]]).sum())
    return Placed(pool[order[place]], min(worst, confidence(min(ones, zeros), alone)), seen, rival)
