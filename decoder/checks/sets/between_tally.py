"""Counts of two wired sets' transfers, pair by pair, block by block."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import KIND_NAMES, WRITE_KINDS
from busledger.decoder.checks.sets.pairing import Window, pair_by_time

__all__ = ["PAGES", "DataCounts", "PairTally"]

PAGES = 256
_BITS = 32
_DELAYS = 1 << 16  # pairs whose delay is looked at where addresses say nothing
_NEVER = np.iinfo(np.int64).max
_WRITES = np.array(WRITE_KINDS, np.uint8)


class DataCounts:
    """The data of cycles that both sets saw, by page of addresses.

    Parameters
    ----------
    lanes : data bits
    left_out : mask of those that are not compared
    shift : address bits within a page

    Attributes
    ----------
    words : int64, shape (PAGES,): cycles with a lane that both know
    differ : int64, shape (2, PAGES): those that differ; row 1 with one side inverted
    first_at : int64, shape (2, PAGES): the first of them, ticks
    levels : int64, shape (lanes, 2, 2, 2, PAGES): cycles by lane, write, level on the first side, on the second
    """

    def __init__(self, lanes: int, left_out: int, shift: int) -> None:
        self.lanes, self.shift = lanes, shift
        self._mask = np.uint32((1 << lanes) - 1 & ~left_out)
        self.words = np.zeros(PAGES, np.int64)
        self.differ = np.zeros((2, PAGES), np.int64)
        self.first_at = np.full((2, PAGES), _NEVER)
        self.levels = np.zeros((lanes, 2, 2, 2, PAGES), np.int64)

    def add(self, a: NDArray[Any], b: NDArray[Any], address: NDArray[np.uint32], write: bool) -> None:
        """Count pairs in time order: ``ROW`` arrays of one length, and the addresses to sort them by."""
        known = ~(a["data_unknown"] | b["data_unknown"]) & self._mask
        some = known != 0
        a, b, known = a[some], b[some], known[some]
        page = (address[some] >> np.uint32(self.shift)).astype(np.int64)
        self.words += np.bincount(page, minlength=PAGES)
        differing = (a["data"] ^ b["data"]) & known
        for inverted, bits in enumerate((differing, differing ^ known)):
            wrong = bits != 0
            self.differ[inverted] += np.bincount(page[wrong], minlength=PAGES)
            pages, first = np.unique(page[wrong], return_index=True)
            self.first_at[inverted][pages] = np.minimum(self.first_at[inverted][pages], a["time"][wrong][first])
        for lane in range(self.lanes):
            seen = (known >> np.uint32(lane) & 1).astype(bool)
            one, other = (side["data"][seen] >> np.uint32(lane) & 1 for side in (a, b))
            place = (one * 2 + other).astype(np.int64) * PAGES + page[seen]
            self.levels[lane, int(write)] += np.bincount(place, minlength=4 * PAGES).reshape(2, 2, PAGES)

    def differing_bits(self, inverted: bool) -> NDArray[np.int64]:
        """int64, shape (PAGES,): known levels that differ, or with ``inverted`` those that are the same."""
        levels: NDArray[np.int64] = self.levels.sum(axis=(0, 1))
        chosen: NDArray[np.int64] = levels[0, 0] + levels[1, 1] if inverted else levels[0, 1] + levels[1, 0]
        return chosen


@dataclass
class PairTally:
    """What the pairs add up to. ``first_address``, ``second_address``: masks of the address bits that each set sees;
    ``left_out``: mask of the data lanes that are not compared.

    ``matched`` pairs agree in address, ``moved`` do not; ``lines`` counts those that differ in one line alone, by bit;
    ``only[side, kind]`` transfers without a partner; ``outside`` matched pairs of which one is not judged; ``delays``
    how far pairs are from the usual delay of their block, ticks.
    """

    first_address: int
    second_address: int
    data_bits: int
    left_out: int
    matched: int = 0
    moved: int = 0
    outside: int = 0
    lines: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_BITS, np.int64))
    only: NDArray[np.int64] = field(default_factory=lambda: np.zeros((2, len(KIND_NAMES)), np.int64))
    delays: list[NDArray[np.int64]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.shared = self.first_address & self.second_address
        self.data = DataCounts(self.data_bits, self.left_out, max(0, self._better.bit_length() - 8))

    @property
    def _better(self) -> int:
        """The address bits of the side that sees more of them; pages are pages of these."""
        return max(self.first_address, self.second_address)

    def add(self, window: Window, within: int) -> None:
        """Count one window; ``within``: ticks that partners may be apart."""
        writes = [np.isin(rows["kind"], _WRITES) for rows in (window.first, window.second)]
        alone = [window.own_first.copy(), window.own_second.copy()]
        for write in (False, True):
            rows = [np.flatnonzero(side == write) for side in writes]
            partner = pair_by_time(window.first["time"][rows[0]], window.second["time"][rows[1]], within)
            mine, theirs = rows[0][partner >= 0], rows[1][partner[partner >= 0]]
            alone[0][mine] = False
            alone[1][theirs] = False
            own = window.own_first[mine]
            self._pairs(window.first[mine[own]], window.second[theirs[own]], write)
        for k, rows_of in enumerate((window.first, window.second)):
            self.only[k] += np.bincount(rows_of["kind"][alone[k]], minlength=len(KIND_NAMES))

    def _pairs(self, a: NDArray[Any], b: NDArray[Any], write: bool) -> None:
        """Rows of the two sides, pair by pair."""
        known = ~(a["address_unknown"] | b["address_unknown"]) & np.uint32(self.shared)
        other = (a["address"] ^ b["address"]) & known
        same = other == 0
        self.matched += int(np.count_nonzero(same))
        self.moved += int(np.count_nonzero(~same))
        for bit in range(self.shared.bit_length()):
            self.lines[bit] += np.count_nonzero(other == np.uint32(1 << bit))
        if len(a) and sum(map(len, self.delays)) < _DELAYS:
            delay = b["time"] - a["time"]
            self.delays.append(np.abs(delay - np.median(delay)).astype(np.int64))
        judged = a["judged"] & b["judged"]
        self.outside += int(np.count_nonzero(same & ~judged))
        rows = same & judged
        better = a if self.first_address >= self.second_address else b
        self.data.add(a[rows], b[rows], better["address"][rows] & np.uint32(self._better), write)
