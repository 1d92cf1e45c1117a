"""Whether cycles read from unnamed channels behave like memory: what is written is read again.

This tells a right reading of strobes and direction from a wrong one: only a write may change what an address holds,
and the next read shows what was written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busledger.decoder.wiring.traffic import Bits, Ints

__all__ = ["NOTHING", "Memory", "memory_of"]


@dataclass(frozen=True, slots=True)
class Memory:
    """Addresses at which a read ``confirmed`` a changed value that had been written, whose value ``changed`` in a
    write, and whose value changed in a read with no write before it (``broken``: ports, or a wrong reading).
    ``writes``: the share of writes among the cycles."""

    confirmed: float
    changed: float
    broken: float
    writes: float

    @property
    def worth(self) -> float:
        """How well the reading explains what changed; ports break it too, so it is no count of mistakes."""
        if not self.confirmed:
            return 0.0
        share = self.confirmed / (self.confirmed + self.broken)
        # A line that has nothing to do with writing covers as much of the changes as of everything.
        return self.confirmed * share * max(0.0, self.changed / (self.changed + self.broken) - self.writes)


NOTHING = Memory(0.0, 0.0, 0.0, 0.0)


def memory_of(key: Ints, value: Bits, writes: Bits) -> tuple[Memory, Ints]:
    """``key`` int64 (cycles,): addresses as numbers; ``value`` bool (cycles, lines); ``writes`` bool (cycles,).

    Each address counts once. Second comes int64 (pairs, 2): cycles of writes that changed the value, and of the reads
    after them that showed it.
    """
    if len(key) < 3 or not value.shape[1]:
        return NOTHING, np.zeros((0, 2), np.int64)
    order = np.argsort(key, kind="stable")
    key, value, writes = key[order], value[order], writes[order]
    same = key[1:] == key[:-1]
    place = np.cumsum(np.concatenate([[False], ~same]))
    differ = (value[1:] != value[:-1]).sum(axis=1)
    # One line may be faulty: what differs there alone is neither here nor there.
    changed, equal = differ > 1, differ <= 1
    by_write, broken = same & changed & writes[1:], same & changed & ~writes[1:]
    shown = np.flatnonzero(by_write[:-1] & same[1:] & equal[1:] & ~writes[2:])
    counts = [float(len(np.unique(place[rows]))) for rows in (shown, np.flatnonzero(by_write), np.flatnonzero(broken))]
    pairs = np.stack([order[shown + 1], order[shown + 2]], axis=1).astype(np.int64)
    return Memory(counts[0], counts[1], counts[2], float(writes.mean())), pairs
