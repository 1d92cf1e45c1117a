"""Access rows and traffic counts, bit by bit in dictionaries: the slow twins of two kernels."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass

READS = ("agrees", "mismatch", "unknown", "disagrees")


@dataclass
class Access:
    """``verdict``: write, agrees, mismatch, unknown, stale, disagrees or ambiguous; ``in_doubt``: it may have been
    another cell's, of which nothing is learnt."""

    cell: int
    card: int
    fixed: bool
    verdict: str
    data: int
    hidden: int
    expected: int
    known: int
    in_doubt: bool = False

    def level(self, lane: int) -> int | None:
        return None if self.hidden >> lane & 1 else self.data >> lane & 1

    def told(self, lane: int) -> int | None:
        return None if self.in_doubt else self.level(lane)


def elect(accesses: list[Access]) -> dict[tuple[int, int], int]:
    """(cell, lane) → the level that three reads in four gave before the bit was ever written, or a ROM's image has."""
    votes: dict[tuple[int, int], Counter[int]] = defaultdict(Counter)
    written: set[int] = set()
    image: dict[tuple[int, int], int] = {}
    for a in accesses:
        if a.verdict == "write":
            written.add(a.cell)
        elif a.verdict in READS:
            for lane in range(8):
                level = a.told(lane)
                if a.fixed and a.known >> lane & 1:
                    image[a.cell, lane] = image.get((a.cell, lane), 0) | (a.expected >> lane & 1)
                if level is not None and not a.known >> lane & 1 and a.cell not in written:
                    votes[a.cell, lane][level] += 1
    found = dict(image)
    for spot, count in votes.items():
        if count[0] + count[1] >= 2 and max(count[0], count[1]) >= 3 * min(count[0], count[1]):
            found[spot] = max(found.get(spot, 0), int(count[1] > count[0]))
    return found


def prepare(accesses: list[Access]) -> list[tuple[int, int, int, int, int, int]]:
    """(expected, compared, wrong, event, card's last levels, card's last read) a row."""
    elected = elect(accesses)
    written: set[int] = set()
    last: dict[tuple[int, int], int] = {}
    on_card: dict[int, int] = defaultdict(int)
    read_on_card: dict[int, int] = defaultdict(int)
    rows = []
    for a in accesses:
        rest, rest_read = on_card[a.card], read_on_card[a.card]
        for lane in range(8):
            level = a.level(lane)
            if level is not None:
                on_card[a.card] = on_card[a.card] & ~(1 << lane) | level << lane
        if a.verdict == "write":
            written.add(a.cell)
            last = {spot: v for spot, v in last.items() if spot[0] != a.cell}
            rows.append((0, 0, 0, 0, rest, rest_read))
            continue
        read_on_card[a.card] = on_card[a.card]
        if a.verdict not in READS:
            last = {spot: v for spot, v in last.items() if spot[0] != a.cell}
            rows.append((0, 0, 0, 0, rest, rest_read))
            continue
        want: dict[int, int] = {}
        for lane in range(8):
            level = a.told(lane)
            if level is None:
                continue
            if a.known >> lane & 1:
                want[lane] = a.expected >> lane & 1
            elif a.cell not in written and (a.cell, lane) in elected:
                due = elected[a.cell, lane]
                if a.verdict == "disagrees" or a.fixed or due == level:
                    want[lane] = due
        wrong = [lane for lane, due in want.items() if a.level(lane) != due]
        repeat = all((a.cell, lane) in last and last[a.cell, lane] == a.level(lane) for lane in want)
        rows.append(
            (
                sum(due << lane for lane, due in want.items()),
                sum(1 << lane for lane in want),
                sum(1 << lane for lane in wrong),
                int(bool(wrong) and not repeat),
                rest,
                rest_read,
            )
        )
        for lane in range(8):
            level = a.told(lane)
            if level is not None:
                last[a.cell, lane] = level
    return rows


def count_levels(transfers: list[tuple[int, int, int, int]]) -> tuple[Counter[tuple[int, ...]], set[tuple[int, int]]]:
    """(direction, region, data, hidden) transfers → counts by (what, region, direction, lanes…), values seen."""
    counts: Counter[tuple[int, ...]] = Counter()
    values: set[tuple[int, int]] = set()
    for way, region, data, hidden in transfers:
        if way > 1:
            continue
        if not hidden & 0xFF:
            values.add((way, data & 0xFF))
        known = [lane for lane in range(8) if not hidden >> lane & 1]
        for lane in known:
            counts[data >> lane & 1, region, way, lane] += 1
        for a in known:
            for b in known:
                if a < b and data >> a & 1 != data >> b & 1:
                    counts[2, region, way, a, b] += 1
    return counts, values
