"""Counting hidden address lines along, from whole runs: slow and simple, the twin of ``sweep_kernel``.

A run is a list of addresses on the clipped lines. A way to read it is a first address and a step; the twin tries them
all against the whole run, every time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

LEAST, STEPS_APART, PACED = 16, 4, 8


def parts(mask: int) -> Iterator[int]:
    return (n for n in range(mask + 1) if n & ~mask == 0)


@dataclass
class Stream:
    """Reads, or writes, of one region: its range, and the bits of its addresses that no channel carries."""

    start: int
    end: int
    hidden: int
    run: list[int] = field(default_factory=list)
    cycles: list[int] = field(default_factory=list)

    def alike_within(self, step: int) -> bool:
        """Whether fewer than STEPS_APART steps lead from some cell to one that looks the same."""
        apart = {a - b for a in parts(self.hidden) for b in parts(self.hidden)}
        return any(k * step in apart for k in range(1, STEPS_APART))

    def ways(self, run: Sequence[int]) -> list[list[int]]:
        """Every whole run of even steps that looks like ``run`` on the clipped lines."""
        found = []
        for one in parts(self.hidden):
            for other in parts(self.hidden):
                first, step = run[0] | one, (run[1] | other) - (run[0] | one)
                if step == 0 or self.alike_within(step):
                    continue
                whole = [first + k * step for k in range(len(run))]
                inside = all(self.start <= a <= self.end for a in whole)
                if inside and all(a & ~self.hidden == seen for a, seen in zip(whole, run, strict=True)):
                    found.append(whole)
        return found

    def keeps_pace(self, way: Sequence[int], cycles: Sequence[int]) -> bool:
        """Whether each step but the first comes as soon as those among the first PACED accesses let expect, or as much
        sooner or later as they differ; later than that only where the low byte carries."""
        gaps = [b - a for a, b in pairwise(cycles[1:])]
        if not gaps:
            return True
        pace = gaps[: PACED - 2]
        loose = max(pace) - min(pace)
        carries = [a >> 8 != b >> 8 for a, b in pairwise(way[1:])]
        least, most = min(pace) - loose, max(pace) + loose
        return all(least <= gap and (gap <= most or carry) for gap, carry in zip(gaps, carries, strict=True))

    def next(self, address: int, unknown: int, cycle: int) -> int:
        """The hidden bits of one more access, in the cycle of that number, -1 where they are not told."""
        if unknown & ~self.hidden:
            self.run, self.cycles = [], []
            return -1
        now = address & ~self.hidden
        for back in (len(self.run), 1):
            run, cycles = [*self.run[-back:], now], [*self.cycles[-back:], cycle]
            ways = [w for w in self.ways(run) if self.keeps_pace(w, cycles)] if len(run) > 1 else []
            if ways:
                self.run, self.cycles = run, cycles
                break
        else:
            self.run, self.cycles = [now], [cycle]
            return -1
        if len(self.run) < LEAST or len(ways) > 1:
            return -1
        came = went = 0
        for before, after in zip(ways[0], ways[0][1:], strict=False):
            came |= ~before & after
            went |= before & ~after
        return ways[0][-1] & self.hidden if came & went & self.hidden == self.hidden else -1
