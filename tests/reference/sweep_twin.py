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

    def ways(self, run: Sequence[int], cycles: Sequence[int]) -> list[list[int]]:
        """Every whole run of even steps that looks like ``run`` on the clipped lines, in its loop's own pace; with the
        cells of accesses that the capture may have lost."""
        found = []
        for one in parts(self.hidden):
            for other in parts(self.hidden):
                first, second = run[0] | one, run[1] | other
                if first != second and self.start <= first <= self.end and self.start <= second <= self.end:
                    found += self.goes_on([first, second], run[2:], cycles)
        return found

    def goes_on(self, begun: list[int], rest: Sequence[int], cycles: Sequence[int]) -> list[list[int]]:
        """One beginning, followed to the end of the run."""
        step = begun[1] - begun[0]
        close = self.alike_within(step)
        gaps = [b - a for a, b in pairwise(cycles[1:])]  # the first may not be of the loop
        found = [begun]
        for k, (seen, gap) in enumerate(zip(rest, gaps, strict=True)):
            pace = gaps[: min(k + 1, PACED - 2)]
            loose = max(pace) - min(pace) if k >= PACED - 2 else 0
            tried = [[*w, w[-1] + step] for w in found]
            if close and gap >= 2 * min(pace):
                tried += [[*w, w[-1] + step, w[-1] + 2 * step] for w in found]
            found = []
            for way in tried:
                carries = way[-2] >> 8 != way[-1] >> 8
                soon = gap <= max(pace) + loose or (carries and not close)
                inside = self.start <= way[-1] <= self.end and way[-1] & ~self.hidden == seen
                if soon and gap >= min(pace) - loose and inside:
                    found.append(way)
        return found

    def next(self, address: int, unknown: int, cycle: int) -> int:
        """The hidden bits of one more access, in the cycle of that number, -1 where they are not told."""
        if unknown & ~self.hidden:
            self.run, self.cycles = [], []
            return -1
        now = address & ~self.hidden
        for back in (len(self.run), 1):
            run, cycles = [*self.run[-back:], now], [*self.cycles[-back:], cycle]
            ways = self.ways(run, cycles) if len(run) > 1 else []
            if ways:
                self.run, self.cycles = run, cycles
                break
        else:
            self.run, self.cycles = [now], [cycle]
            return -1
        # An access that was lost, and one lost a step later, have come to the same.
        if len(self.run) < LEAST or len({(way[-1], way[1] - way[0]) for way in ways}) > 1:
            return -1
        each = all(self.come_and_gone(way) for way in ways)
        return ways[0][-1] & self.hidden if each else -1

    def come_and_gone(self, way: Sequence[int]) -> bool:
        """Whether every hidden bit has gone up and down on the way."""
        came = went = 0
        for before, after in pairwise(way):
            came |= ~before & after
            went |= before & ~after
        return came & went & self.hidden == self.hidden
