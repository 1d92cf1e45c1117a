"""Plain twin of the kernel that settles when memory of two banks was switched: bit by bit, stretch by stretch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

__all__ = ["Access", "effort", "settled"]


@dataclass(frozen=True)
class Access:
    """``lanes``: those that a write drives, ``sure``: those whose level is known, ``asked``: a read is compared."""

    cell: int
    write: bool
    data: int
    lanes: int
    sure: int
    asked: bool


Prices = tuple[float, float, float]


def effort(accesses: Sequence[Access], banks: Sequence[int], prices: Prices) -> float:
    """Switches, reads that their bank contradicts, reads of which it does not know all."""
    switches = sum(one != two for one, two in pairwise(banks))
    held: dict[tuple[int, int, int], int | None] = {}  # level by bank, cell and lane
    odd = blank = 0
    for access, bank in zip(accesses, banks, strict=True):
        sure = [lane for lane in range(32) if access.sure >> lane & 1]
        level = {lane: access.data >> lane & 1 for lane in sure}
        if access.write:
            for lane in range(32):
                if access.lanes >> lane & 1:
                    held[bank, access.cell, lane] = None
        else:
            there = [held.get((bank, access.cell, lane)) for lane in sure]
            if any(have is not None and have != level[lane] for have, lane in zip(there, sure, strict=True)):
                odd += 1
            elif None in there and access.asked:
                blank += 1
        for lane in sure:
            held[bank, access.cell, lane] = level[lane]
    return switches * prices[0] + odd * prices[1] + blank * prices[2]


def settled(accesses: Sequence[Access], banks: Sequence[int], prices: Prices, sweeps: int) -> tuple[list[int], float]:
    """The banks after the search, and the effort left."""
    now = list(banks)
    best = effort(accesses, now, prices)
    for _ in range(sweeps):
        before = best
        first = begin = 0
        while begin < len(now):
            end = _end(now, begin)
            one = now[begin]
            if begin:
                ways = [
                    [*now[:first], *[1 - one] * (at - first), *[one] * (end - at), *now[end:]]
                    for at in range(first + 1, end)
                ]
                for way in ways:
                    if (cost := effort(accesses, way, prices)) < best:
                        now, best = way, cost
                begin = now.index(one, first)
            first, begin = begin, end
        begin = 0
        while begin < len(now):
            end = _end(now, begin)
            turned = [*now[:begin], *[1 - now[begin]] * (end - begin), *now[end:]]
            if (cost := effort(accesses, turned, prices)) < best:
                now, best = turned, cost
            begin = end
        if best >= before:
            break
    return now, best


def _end(banks: Sequence[int], begin: int) -> int:
    """Of the stretch of one bank that begins there."""
    return begin + len(list(next(group for _, group in groupby(banks[begin:]))))
