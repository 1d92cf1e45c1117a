"""The signs of a capture, one transfer and one row after the other: the slow twin of ``signs_kernel``."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise


@dataclass
class BitTwin:
    """One bit of the bus over (transfer, ticks, level) of every transfer in which it is known."""

    seen: list[tuple[int, int, int]] = field(default_factory=list)

    def _marks(self) -> list[tuple[int, int, int]]:
        return [self.seen[0], *(new for old, new in pairwise(self.seen) if old[2] != new[2])] if self.seen else []

    def rests(self) -> list[tuple[int, int, int]]:
        """(transfers, from, to) of every rest between two changes."""
        return [(new[0] - old[0], old[1], new[1]) for old, new in pairwise(self._marks())]

    def row(self, transfers: int) -> dict[str, int]:
        """The kernel's columns, ``HIGH`` with the rest in which the bit still is."""
        if not self.seen:
            return dict.fromkeys(("HIGH", "LOW", "MOVES", "LAST", "LAST_TIME", "QUIET", "QUIET_FROM", "QUIET_TO",
                                  "SECOND"), 0)  # fmt: skip
        marks, rests = self._marks(), self.rests()
        longest = max(rests, key=lambda rest: rest[0], default=(0, 0, 0))
        ends = [*(mark[0] for mark in marks[1:]), transfers]
        return {
            "HIGH": sum(end - mark[0] for mark, end in zip(marks, ends, strict=True) if mark[2]),
            "LOW": marks[0][0],
            "MOVES": len(marks) - 1,
            "LAST": marks[-1][0],
            "LAST_TIME": marks[-1][1],
            "QUIET": longest[0],
            "QUIET_FROM": longest[1],
            "QUIET_TO": longest[2],
            "SECOND": sorted((rest[0] for rest in rests), reverse=True)[1] if len(rests) > 1 else 0,
        }


def most_between(times: list[int], ends: list[bool]) -> tuple[int, int, int, int]:
    """(most, from, to, second most) of the transfers between two of ``ends``: how many, and the ticks around them.

    Those before the first are counted from tick 0 on.
    """
    most, span, second, run, before = 0, (0, 0), 0, 0, 0
    for time, end in zip(times, ends, strict=True):
        if not end:
            run += 1
            continue
        if run > most:
            most, second, span = run, most, (before, time)
        else:
            second = max(second, run)
        run, before = 0, time
    return most, *span, second


def line_changes(time: list[int], levels: list[int], unknown: list[int], line: int) -> tuple[int, int, int]:
    """(changes, ticks of the last one, level at the end) of one line; while it is unknown it keeps its level."""
    moves, last, now = 0, 0, 0
    for k, (t, high, lost) in enumerate(zip(time, levels, unknown, strict=True)):
        level = now if lost >> line & 1 else high >> line & 1
        if k and level != now:
            moves, last = moves + 1, t
        now = level
    return moves, last, now
