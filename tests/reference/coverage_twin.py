"""The slow twin of the coverage kernel: dictionaries of bits, one access at a time."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

Bits = dict[int, int]  # lane → level, only lanes that are known


@dataclass
class CoverageTwin:
    """``sizes``: words a region; ``rom``: which of them are never written."""

    sizes: list[int]
    rom: list[bool]
    comparable: list[list[bool]]
    memory: dict[tuple[int, int], Bits] = field(default_factory=lambda: defaultdict(dict))
    written_at: dict[tuple[int, int], int] = field(default_factory=lambda: defaultdict(int))
    last: dict[int, int] = field(default_factory=dict)
    writes: int = 0
    seen: set[tuple[str, int, int]] = field(default_factory=set)
    before: dict[int, dict[tuple, int]] = field(default_factory=dict)
    until: dict[int, dict[tuple, int]] = field(default_factory=dict)
    counts: Counter[tuple] = field(default_factory=Counter)

    def write(self, region: int, word: int, bits: dict[int, int | None]) -> None:
        """``bits``: lanes of the transfer; None = level unknown."""
        self.writes += 1
        place = (region, word % self.sizes[region])
        self.seen.add(("written", *place))
        self.written_at[place] = self.writes
        for lane, level in bits.items():
            if level is None:
                self.memory[place].pop(lane, None)
            else:
                self.memory[place][lane] = level

    def read(self, region: int, word: int) -> None:
        """A read with nothing to compare."""
        self.seen.add(("read", region, word % self.sizes[region]))

    def compare(self, region: int, word: int, expected: Bits, wrong: set[int], kept: list[int]) -> None:
        """A compared read: what was expected, which lanes came wrong, what the idle bus held."""
        offset = word % self.sizes[region]
        place = (region, offset)
        self.seen |= {("read", *place), ("compared", *place)}
        for lane in expected:
            if lane in wrong:
                now = {key: n for key, n in self.counts.items() if key[0] == "level" and key[2] == 0 and key[3] == lane}
                self.before.setdefault(lane, now)
                self.until[lane] = now
        for lane, level in expected.items():
            self.counts["level", region, int(lane in wrong), lane, level] += 1
            if kept[lane] != level:
                self.counts["move", region, lane, level] += 1
        if not wrong and any(kept[lane] != level for lane, level in expected.items()):
            self.counts["driven", region] += 1
        if region in self.last:
            for b in range((self.sizes[region] - 1).bit_length()):
                if (self.last[region] >> b & 1) != (offset >> b & 1):
                    self.counts["toggled", region, b] += 1
        self.last[region] = offset
        if self.rom[region]:
            self.memory[place].update(expected)
        for b in range((self.sizes[region] - 1).bit_length()):
            other = (region, offset ^ (1 << b))
            if self._apart(place, other, expected, not self.rom[region]):
                self.counts["alias", region, int(bool(wrong)), b, offset >> b & 1] += 1
        if wrong:
            return
        for one in expected:
            for other in expected:
                if one < other and expected[one] != expected[other]:
                    self.counts["pair", region, one, other] += 1
        for s, size in enumerate(self.sizes):
            if self.comparable[region][s]:
                held = not (self.rom[region] or self.rom[s])
                if self._apart(place, (s, word % size), expected, held):
                    self.counts["apart", region, s] += 1

    def _apart(self, place: tuple[int, int], other: tuple[int, int], expected: Bits, held: bool) -> bool:
        there = self.memory[other]
        differs = any(there.get(lane, level) != level for lane, level in expected.items())
        return differs and (not held or self.written_at[other] > self.written_at[place])
