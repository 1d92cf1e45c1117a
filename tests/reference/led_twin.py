"""Plain twin of the kernel that follows what cells hold which a fault leads to one of them now and then: every story
there is, none dropped."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Access", "stories"]

Held = tuple[tuple[int, int], ...]  # levels and known lanes of each cell


@dataclass(frozen=True)
class Access:
    """``member``: 0 is the cell that the others are led to; ``due``: what a healthy card gives on the lanes ``asked``.
    """

    member: int
    write: bool
    data: int
    due: int
    asked: int


def _gives(held: tuple[int, int], read: int, asked: int) -> float:
    level, known = held
    return 0.0 if (level ^ read) & known & asked else 0.5 ** (asked & ~known).bit_count()


def _with(story: Held, member: int, level: int, known: int) -> Held:
    return tuple((level & known, known) if m == member else one for m, one in enumerate(story))


def _learnt(story: Held, member: int, read: int, asked: int) -> Held:
    level, known = story[member]
    return _with(story, member, level | (read & asked & ~known), known | asked)


def stories(
    accesses: Sequence[Access], fresh: Held, lanes: int, rate: float, least: float, floor: float, lost: str = ""
) -> tuple[float, list[bool]]:
    """Log likelihood of the reads at one rate, and which wrong ones are explained.

    ``lost``: "" where accesses are led to member 0, "all" where nobody takes them (reads give 0), "writes" where nobody
    takes the writes and reads come right.
    """
    now: dict[Held, float] = {fresh: 1.0}
    log, explained = 0.0, [False] * len(accesses)
    touched = set()
    for k, a in enumerate(accesses):
        goes = rate if a.member else 0.0
        after: dict[Held, float] = {}
        if a.write:
            touched |= {0, a.member}
            for story, chance in now.items():
                for member, share in ((a.member, 1.0 - goes), (0, goes)):
                    then = story if lost and member != a.member else _with(story, member, a.data, lanes)
                    after[then] = after.get(then, 0.0) + chance * share
            now = after
            continue
        if a.member not in touched:
            now = _merged((_learnt(s, a.member, a.due, a.asked), c) for s, c in now.items())
        if not a.asked:
            now = _merged((_learnt(s, a.member, a.data, lanes), c) for s, c in now.items())
            continue
        found = may = 0.0
        for story, chance in now.items():
            astray = 0.0 if lost == "writes" else goes
            for member, share in ((a.member, 1.0 - astray), (0, astray)):
                nobody = lost == "all" and member != a.member
                gives = _gives((0, lanes) if nobody else story[member], a.data, a.asked)
                found += chance * share * gives
                may += chance * share * (gives > 0.0)
                then = story if nobody else _learnt(story, member, a.data, a.asked)
                after[then] = after.get(then, 0.0) + chance * share * gives
        if (a.data ^ a.due) & a.asked:
            if may < least * rate:
                continue
            explained[k] = True
        elif found < floor:
            log += math.log(floor)
            now = _merged((_with(s, a.member, a.data, lanes), c) for s, c in now.items())
            continue
        log += math.log(found)
        now = {story: chance / found for story, chance in after.items() if chance > 0.0}
    return log, explained


def _merged(pairs: object) -> dict[Held, float]:
    found: dict[Held, float] = {}
    for story, chance in pairs:  # type: ignore[attr-defined]
        found[story] = found.get(story, 0.0) + chance
    return found
