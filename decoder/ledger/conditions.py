"""When a region answers, and when its cells take writes: a line's level, or what was last written to a latch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import LatchValue, LineLevel
from busledger.decoder.bus.columns import Cycles, Kind

__all__ = ["ALWAYS", "HOLDS", "HOLDS_NOT", "UNSURE", "Conditions"]

HOLDS_NOT, HOLDS, UNSURE = 0, 1, 2
ALWAYS = -1  # the index of no condition at all

_WRITES = (Kind.WRITE, Kind.DMA_WRITE, Kind.IO_WRITE)


class Conditions:
    """The state of each condition at each cycle.

    Parameters
    ----------
    conditions : what the board file says, each once
    spaces : the names of the spaces, in the order of their codes
    unwired : mask of address bits that no channel carries
    """

    def __init__(
        self, conditions: Sequence[LineLevel | LatchValue], spaces: Sequence[str] = (), unwired: int = 0
    ) -> None:
        self._conditions = tuple(conditions)
        self._spaces = tuple(spaces)
        self._wired = np.uint32(~unwired & 0xFFFFFFFF)
        self._last = np.full(len(self._conditions), UNSURE, np.uint8)

    def __len__(self) -> int:
        return len(self._conditions)

    def states(
        self,
        cycles: Cycles,
        space: NDArray[np.uint8],
        gap_ends: Sequence[int],
        levels: Mapping[str, NDArray[np.int8]],
    ) -> NDArray[np.uint8]:
        """HOLDS, HOLDS_NOT or UNSURE, uint8 (conditions, cycles), at the time of each cycle.

        ``gap_ends`` are ticks at which samples came back: what a latch holds is not known from then on. ``levels``
        has 1, 0 or -1 (not known) a cycle for each line that is clipped.
        """
        found = np.full((len(self), len(cycles)), UNSURE, np.uint8)
        for k, condition in enumerate(self._conditions):
            if isinstance(condition, LineLevel):
                seen = levels.get(condition.line)
                if seen is not None:
                    found[k] = np.where(seen < 0, UNSURE, np.where(seen == condition.level, HOLDS, HOLDS_NOT))
            else:
                found[k] = self._latched(k, condition, cycles, space, gap_ends)
        return found

    def _latched(
        self, k: int, latch: LatchValue, cycles: Cycles, space: NDArray[np.uint8], gap_ends: Sequence[int]
    ) -> NDArray[np.uint8]:
        """By the last write to the latch before each cycle; one that may have gone there leaves it not known."""
        n = len(cycles)
        if not n:
            return np.zeros(0, np.uint8)
        address = np.uint32(latch.latch)
        writes = np.isin(cycles.kind, _WRITES) & (space == self._spaces.index(latch.space))
        writes &= ((cycles.address ^ address) & ~cycles.address_unknown & self._wired) == 0
        sure = cycles.address_unknown & self._wired == 0
        mask = np.uint32(latch.mask)
        differ = ((cycles.data ^ np.uint32(latch.value)) & mask & ~cycles.data_unknown) != 0
        known = (cycles.data_unknown & mask) == 0
        state = np.where(differ, HOLDS_NOT, np.where(known, HOLDS, UNSURE)).astype(np.uint8)
        state[~sure] = UNSURE
        # Each event holds from the row after it; a gap from the first row at or past its end.
        rows = np.flatnonzero(writes)
        gaps = np.searchsorted(cycles.time, np.array(sorted(gap_ends), np.int64), side="left")
        at = np.concatenate([gaps, rows + 1])
        what = np.concatenate([np.full(len(gaps), UNSURE, np.uint8), state[rows]])
        order = np.argsort(at, kind="stable")
        at, what = at[order], what[order]
        at = np.concatenate([np.zeros(1, np.int64), at])
        what = np.concatenate([self._last[k : k + 1], what])
        self._last[k] = what[-1]
        return what[np.searchsorted(at, np.arange(n), side="right") - 1]
