"""Bent reads, decay and coupling, one access at a time in plain Python: the slow twins of three kernels."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass

from tests.reference.effects_plain import Hash


@dataclass
class Read:
    """One access; ``expected``, ``compared`` as the rows have them."""

    cell: int
    write: bool
    data: int
    kept: int
    rest: int
    expected: int
    compared: int
    index: int
    time: int = 0
    region: int = 0

    @property
    def wrong(self) -> int:
        return 0 if self.write else (self.data ^ self.expected) & self.compared

    def due(self, lane: int) -> int | None:
        return self.expected >> lane & 1 if self.compared >> lane & 1 else None


def bent(does: str, lanes: list[int], read: Read) -> dict[int, int | None]:
    """Lane → level that the faulty part gives."""
    if does in ("low", "high"):
        return {k: int(does == "high") for k in lanes}
    if does in ("kept", "card"):
        return {k: (read.kept if does == "kept" else read.rest) >> k & 1 for k in lanes}
    wins = int(does == "or")
    seen = [read.due(k) for k in lanes]
    if wins in seen:
        return dict.fromkeys(lanes, wins)
    if None in seen:
        return dict.fromkeys(lanes)
    return {k: read.due(k) for k in lanes}


def lanes(reads: list[Read], does: str, mask: int, only: int) -> tuple[Counter[str], int, list[int]]:
    counts: Counter[str] = Counter()
    hash_, first = Hash(), []
    mine = [k for k in range(8) if mask >> k & 1]
    for read in reads:
        if read.write or not read.compared or (only >= 0 and read.cell != only):
            continue
        told = bent(does, mine, read)
        judged = [k for k in mine if read.due(k) is not None and told[k] is not None]
        differ = [k for k in judged if told[k] != read.due(k)]
        if not differ:
            continue
        hash_.add(read.index, sum(1 << k for k in differ))
        if all(read.data >> k & 1 == told[k] for k in judged):
            counts["hit"] += 1
            if not read.wrong & ~mask:
                counts["explained"] += 1
                first.append(read.index)
        elif not read.wrong & mask:
            counts["miss"] += 1
        else:
            counts["other"] += 1
    return counts, hash_.value, first


def _allowed(told: list[tuple[bool, int]], at: int, lost: bool) -> bool:
    """Whether one time of the cell's own, known to one in 256, explains this read with those noted before; it is noted
    if so."""
    if any(was != lost and (at + at // 256 < age if lost else at > age + age // 256) for was, age in told):
        return False
    told.append((lost, at))
    return True


def own_times(
    reads: list[Read], only: int, mask: int, high: bool, refreshes: bool, bins_an_octave: int
) -> list[tuple[int | None, int | None]]:
    """Of each of four cells the oldest age at which it held its value, and the youngest at which that was gone."""
    told: dict[int, list[tuple[bool, int]]] = {}
    decay(reads, only, mask, high, refreshes, bins_an_octave, told)
    return [
        (
            max((age for lost, age in told.get(cell, []) if not lost), default=None),
            min((age for lost, age in told.get(cell, []) if lost), default=None),
        )
        for cell in range(4)
    ]


def decay(
    reads: list[Read], only: int, mask: int, high: bool, refreshes: bool, bins_an_octave: int,
    told: dict[int, list[tuple[bool, int]]] | None = None,
) -> tuple[Counter[str], Counter[tuple[str, int]], dict[int, int], list[int]]:
    """(counts, reads by (outcome, age bin), hash by age bin, explained cycles)."""
    counts: Counter[str] = Counter()
    ages: Counter[tuple[str, int]] = Counter()
    hashes: dict[int, Hash] = defaultdict(Hash)
    renewed: dict[int, int] = {}
    gone: set[int] = set()
    told: dict[int, list[tuple[bool, int]]] = {} if told is None else told
    first = []
    for read in reads:
        if only >= 0 and read.cell != only:
            continue
        if read.write:
            renewed[read.cell] = read.time
            gone.discard(read.cell)
            continue
        judged = read.compared & mask
        if not judged or read.cell not in renewed:
            continue
        differ = judged & (~read.expected if high else read.expected)
        bad = read.wrong & mask
        if not differ:
            if bad:
                counts["other"] += 1
            elif refreshes and read.cell not in gone:
                renewed[read.cell] = read.time
            continue
        age = max(1, read.time - renewed[read.cell])
        at = int(math.log2(age) * bins_an_octave)
        hashes[at].add(read.index, differ)
        if not bad or (bad == differ and read.cell not in gone):
            noted = told.setdefault(read.cell, [])
            either = any(was != bool(bad) and (age <= at_ + at_ // 256 if bad else age + age // 256 >= at_)
                         for was, at_ in noted)  # fmt: skip
            allowed = _allowed(noted, age, bool(bad))
            counts["against"] += not allowed
            counts["either"] += allowed and either
        if not bad:
            ages["right", at] += 1
            gone.discard(read.cell)
            if refreshes:
                renewed[read.cell] = read.time
        elif bad == differ:
            if read.cell not in gone:
                ages["decayed", at] += 1
                counts["decayed"] += 1
            gone.add(read.cell)
            if read.wrong == bad:
                counts["explained"] += 1
                first.append(read.index)
        else:
            counts["other"] += 1
    return counts, ages, {at: h.value for at, h in hashes.items()}, first


def written_between(reads: list[Read], victim: int, lane: int) -> tuple[Counter[int], Counter[int]]:
    """Cells written before a failing read of the victim, and before a right one, since its last access."""
    since: set[int] = set()
    failed: Counter[int] = Counter()
    right: Counter[int] = Counter()
    for read in reads:
        if read.cell == victim:
            if not read.write and read.compared >> lane & 1:
                (failed if read.wrong >> lane & 1 else right).update(since)
            since = set()
        elif read.write:
            since.add(read.cell)
    return failed, right


def couple(
    reads: list[Read], victim: int, lane: int, aggressor: int, on: int, trigger: str, effect: str
) -> tuple[Counter[str], Counter[str], int]:
    """One hypothesis: (counts if it acts always, counts if now and then, hash of what it would change)."""
    hard: Counter[str] = Counter()
    some: Counter[str] = Counter()
    hash_ = Hash()
    theory, belief, fired = 0, None, 0
    held: int | None = None

    def after(level: int, times: int) -> int:
        if not times:
            return level
        return level ^ (times & 1) if effect == "invert" else int(effect == "high")

    for read in reads:
        if read.cell == aggressor and read.write:
            was = None if held is None else held >> on & 1
            now = read.data >> on & 1
            rose, fell = was == 0 and now == 1, was == 1 and now == 0
            if trigger == "any write" or (trigger == "rises" and rose) or (trigger == "falls" and fell) or (
                trigger == "changes" and (rose or fell)
            ):  # fmt: skip
                fired += 1
                theory = after(theory, 1)
            held = read.data
        if read.cell != victim:
            continue
        level = read.data >> lane & 1
        if read.write:
            theory, fired = level, 0
        else:
            due, alone = read.due(lane), not read.wrong & ~(1 << lane)
            if belief is not None:
                want = after(belief, fired)
                if want != belief:
                    some["hit" if level == want else "miss"] += 1
                elif level != belief:
                    some["other"] += 1
            else:
                want = -1 if not fired or effect == "invert" else after(0, fired)
            if belief is not None and due is not None and level != due and want == level and alone:
                some["explained"] += 1
            fired = 0
            if due is not None:
                if theory != due:
                    hash_.add(read.index, 1 << lane)
                    hard["hit" if level == theory else "miss"] += 1
                    hard["explained"] += level == theory and alone
                elif level != due:
                    hard["other"] += 1
        belief = level
    return hard, some, hash_.value
