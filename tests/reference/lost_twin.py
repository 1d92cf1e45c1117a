"""What memory shows of lines that rest, one transfer at a time, with dictionaries for tables (slow, plain)."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

LONG = 32
ADDRESS_BITS = 32


@dataclass
class LostTwin:
    """Feed ``transfer`` after ``transfer``; ``rests`` are those of every bit, address bits first, the last one last:
    (first tick, last tick, level, counts by name)."""

    wired: int
    lanes: int
    rests: dict[int, list[tuple[int, int, int, Counter[str]]]] = field(default_factory=dict)
    gave: dict[int, tuple[int, int]] = field(default_factory=dict)
    changing: set[int] = field(default_factory=set)
    marked: dict[int, int] = field(default_factory=dict)
    side: dict[int, int] = field(default_factory=dict)
    read: int = 0
    after: int = -2

    def transfer(self, time: int, way: str, memory: bool, address: tuple[int, int], data: tuple[int, int]) -> None:
        """``way``: read, write or other; ``address``, ``data``: the word and the mask of its unknown bits."""
        every = (1 << self.lanes) - 1
        self._move(0, address[0], self.wired & ~address[1], time)
        if way == "other":
            return
        known = every & ~data[1]
        self._move(ADDRESS_BITS, data[0], known, time)
        if not memory or address[1] & self.wired:
            return
        after, self.after = self.after, -2
        if way == "write":
            self.gave[address[0]] = data[0] & known, known
            self.changing.add(address[0])
            self.side.pop(address[0], None)
            return
        news, self.read = data[0] != self.read, data[0]
        if address[0] not in self.gave:
            if known == every and news and self._partners(address[0], data[0], "fresh", after):
                self.after = address[0]
                return
            self.gave[address[0]] = data[0] & known, known
            self.changing.discard(address[0])
            self.side.pop(address[0], None)
        else:
            self._again(address[0], data[0], known, every)

    def _again(self, address: int, data: int, known: int, every: int) -> None:
        was, sure = self.gave[address]
        bent = (data ^ was) & known & sure
        if not bent:
            bit = self.side.pop(address, None)
            if bit is not None and self.marked[address] == self.rests[bit][-1][0]:
                self.rests[bit][-1][3]["back"] += 1
            return
        if address not in self.changing:
            if known == every and self._partners(address, data, "shown", -2):
                return
            self.changing.add(address)
            for bit in range(ADDRESS_BITS):
                if bit in self.rests:
                    self.rests[bit][-1][3]["odd"] += 1
            for lane in range(self.lanes):
                if bent >> lane & 1:
                    self.rests[ADDRESS_BITS + lane][-1][3]["shown" if bent == 1 << lane else "odd"] += 1
        self.gave[address] = data & known, known

    def _move(self, base: int, word: int, known: int, time: int) -> None:
        for bit in range(ADDRESS_BITS if base == 0 else self.lanes):
            if not known >> bit & 1:
                continue
            level, mine = word >> bit & 1, self.rests.setdefault(base + bit, [])
            if not mine or mine[-1][2] != level:
                mine.append((time, time, level, Counter()))
            first, _, _, counts = mine[-1]
            counts["count"] += 1
            mine[-1] = (first, time, level, counts)

    def _partners(self, address: int, data: int, what: str, after: int) -> bool:
        every, found = (1 << self.lanes) - 1, False
        for bit in range(ADDRESS_BITS):
            if not self.wired >> bit & 1 or bit not in self.rests or self.rests[bit][-1][3]["count"] < LONG:
                continue
            first, _, _, counts = self.rests[bit][-1]
            other = address ^ (1 << bit)
            if other not in self.gave or other in self.changing or self.gave[other][1] != every:
                continue
            if what == "fresh":
                aside = other ^ (8 if bit != 3 else 16)
                if aside not in self.changing and self.gave.get(aside, (0, 0))[1] == every:
                    counts["aside"] += 1
                    counts["chance"] += self.gave[aside][0] == data
            if self.gave[other][0] != data:
                counts["missed"] += what == "fresh"
                continue
            found = True
            counts[what] += self.marked.get(address) != first
            counts[f"{what} reads"] += 1
            counts["in a row"] += what == "fresh" and address == after + 1
            self.marked[address] = first
            if what == "shown":
                self.side[address] = bit
        return found

    def best(self, bit: int) -> tuple[int, int, int, Counter[str]] | None:
        """The first of the rests that show most, of one bit; None where none shows anything."""
        mine = self.rests.get(bit, [])
        most = max((one[3]["shown"] + one[3]["fresh"] for one in mine), default=0)
        return next((one for one in mine if one[3]["shown"] + one[3]["fresh"] == most), None) if most else None


    def longest_but(self, bit: int) -> int:
        """Transfers of the longest rest of one bit but ``best``."""
        best = self.best(bit)
        return max((one[3]["count"] for one in self.rests.get(bit, []) if one is not best), default=0)


def rests_of(levels: list[int], line: int, address: int, writes: int) -> dict[int, list[tuple[int, int, int]]]:
    """Level → (changes of the address, first row, edges of write strobes) of every rest of one line, in order."""
    found: dict[int, list[tuple[int, int, int]]] = {0: [], 1: []}
    moved = edges = 0
    since = (0, 0, 0)
    for row in range(1, len(levels)):
        changed = levels[row] ^ levels[row - 1]
        moved += changed & address != 0
        edges += changed & writes != 0
        if changed >> line & 1:
            found[levels[row - 1] >> line & 1].append((moved - since[0], since[2], edges - since[1]))
            since = (moved, edges, row)
    found[levels[-1] >> line & 1].append((moved - since[0], since[2], edges - since[1]))
    return found
