"""The ledger in plain dictionaries, one access at a time: the slow twin of the kernel.

Written from diagnosis, section 1, bit by bit, so that the same mistake is not
made twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field

READ, WRITE = "read", "write"


@dataclass
class Bit:
    level: int | None = None
    stale: bool = False
    fixed: bool = False
    last_read: int | None = None


@dataclass
class LedgerTwin:
    """``feed`` returns (verdict, expected, known, mismatch) words as the kernel numbers them."""

    data_bits: int = 8
    bits: dict[tuple[int, int], Bit] = field(default_factory=dict)

    def gap(self) -> None:
        for bit in self.bits.values():
            if bit.level is not None and not bit.fixed:
                bit.stale = True
            bit.last_read = None

    def _bit(self, address: int, lane: int) -> Bit:
        return self.bits.setdefault((address, lane), Bit())

    def feed(self, what: str, address: int, unknown: int, data: list[int | None]) -> tuple[str, int, int, int]:
        if unknown:
            if what == WRITE:
                for other in {a for a, _ in self.bits}:
                    if (other | unknown) == (address | unknown):
                        for lane in range(self.data_bits):
                            bit = self._bit(other, lane)
                            bit.stale = bit.level is not None
            return "not taken", 0, 0, 0
        cells = [self._bit(address, lane) for lane in range(self.data_bits)]
        expected = sum((bit.level or 0) << k for k, bit in enumerate(cells))
        if what == WRITE:
            known = sum(1 << k for k, bit in enumerate(cells) if bit.level is not None and not bit.stale)
            for bit, level in zip(cells, data, strict=True):
                bit.level, bit.stale, bit.last_read = level, False, None
            return "write", expected, known, 0
        known = mismatch = 0
        stale_wrong = disagree = False
        for k, (bit, level) in enumerate(zip(cells, data, strict=True)):
            if level is None:
                continue
            if bit.level is None:
                disagree |= bit.last_read is not None and bit.last_read != level
                bit.last_read = level
            elif bit.stale:
                bit.stale = False
                if bit.level != level:
                    stale_wrong = True
                    bit.level = None
                    bit.last_read = level
            else:
                known |= 1 << k
                mismatch |= (bit.level != level) << k
        if mismatch:
            return "mismatch", expected, known, mismatch
        if stale_wrong:
            return "stale", expected, known, 0
        if disagree:
            return "disagrees", expected, known, 0
        return ("agrees" if known else "unknown"), expected, known, 0
