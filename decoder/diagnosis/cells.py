"""The cells of all regions in one dense numbering, and where a faulty address leads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["CellSpace"]

Cells = NDArray[np.int32]


class CellSpace:
    """Numbers the words of every region; a chip sees the low address lines only.

    Region r owns cells ``base[r] … base[r] + size[r] - 1``, ``size`` a power of
    two that spans it, and an address lies in cell ``base + (word mod size)``
    with ``word = address >> shift`` (one shift a byte lane of the bus).

    Parameters
    ----------
    regions : the board's
    address_bits, data_bits : widths of the bus
    """

    def __init__(self, regions: Sequence[Any], address_bits: int, data_bits: int) -> None:
        self.address_bits = address_bits
        self.shift = max(1, (data_bits + 7) // 8).bit_length() - 1
        self.size: list[int] = []
        self.base: list[int] = []
        at = 0
        for region in regions:
            words = ((region.end >> self.shift) - (region.start >> self.shift)) + 1
            size = 1 << (words - 1).bit_length() if words > 1 else 1
            self.base.append(at)
            self.size.append(size)
            at += size
        self.total = at
        self._base = np.array([*self.base, 0], np.int64)
        self._mask = np.array([*(s - 1 for s in self.size), 0], np.int64)
        self._start = [r.start for r in regions]
        self._end = [r.end for r in regions]
        self._space = [r.space for r in regions]
        # Even and odd chips may stand in two regions of the same addresses.
        self._bytes = [{bit // 8 for chip in r.chips for bit in chip.lanes} or set(range(4)) for r in regions]
        self.identity: Cells = np.arange(at, dtype=np.int32)
        self.nowhere: Cells = np.full(at, -1, np.int32)

    def locate(self, region: NDArray[np.int16], address: NDArray[np.uint32]) -> Cells:
        """int32 a row: the cell of an address in its region (rows with region -1 give rubbish)."""
        word = address.astype(np.int64) >> self.shift
        return (self._base[region] + (word & self._mask[region])).astype(np.int32)

    def span(self, region: int) -> slice:
        """The cells of one region."""
        return slice(self.base[region], self.base[region] + self.size[region])

    def chip_bits(self, region: int) -> list[int]:
        """Bus address bits that select a word inside the region."""
        return [self.shift + b for b in range((self.size[region] - 1).bit_length())]

    def address_of(self, cell: int) -> int:
        """The bus address of a cell."""
        region = self.region_of(cell)
        return int(self._addresses(region)[cell - self.base[region]])

    def region_of(self, cell: int) -> int:
        """The region that owns a cell."""
        return int(np.searchsorted(np.array(self.base), cell, side="right")) - 1

    def _addresses(self, region: int) -> NDArray[np.int64]:
        index = np.arange(self.size[region], dtype=np.int64)
        start = self._start[region] >> self.shift
        word = start + ((index - start) & (self.size[region] - 1))
        found: NDArray[np.int64] = word << self.shift
        return found

    # -- maps -------------------------------------------------------------
    def forced(self, region: int, bit: int, level: int) -> Cells:
        """Where accesses go when the region sees address ``bit`` at one level."""
        return self._inside(region, lambda word: _force(word, 1 << (bit - self.shift), level))

    def joined(self, region: int, one: int, two: int, high: bool) -> Cells:
        """Where accesses go when two address bits are shorted (``high``: OR, else AND)."""
        pair = (1 << (one - self.shift)) | (1 << (two - self.shift))
        return self._inside(region, lambda word: _join(word, pair, high))

    def _inside(self, region: int, bend: Any) -> Cells:
        out = self.identity.copy()
        index = np.arange(self.size[region], dtype=np.int64)
        out[self.span(region)] = self.base[region] + (bend(index) & (self.size[region] - 1))
        return out

    def forced_on_board(self, regions: Sequence[int], bit: int, level: int) -> Cells:
        """As ``forced``, for all ``regions`` at once; the select may change with the address."""
        return self._across(regions, lambda address: _force(address, 1 << bit, level))

    def joined_on_board(self, regions: Sequence[int], one: int, two: int, high: bool) -> Cells:
        """As ``joined``, for all ``regions`` at once."""
        pair = (1 << one) | (1 << two)
        return self._across(regions, lambda address: _join(address, pair, high))

    def _across(self, regions: Sequence[int], bend: Any) -> Cells:
        out = self.identity.copy()
        chosen = np.array(regions, np.int64)
        starts, ends = (np.array(of, np.int64)[chosen] for of in (self._start, self._end))
        for region in regions:
            address = bend(self._addresses(region))
            found = np.full(address.shape, -1, np.int64)
            # Of a thousand regions, an address line leads to one or two.
            for other in chosen[_hold_any(starts, ends, address)].tolist():
                if self._space[other] != self._space[region] or not self._bytes[other] & self._bytes[region]:
                    continue
                here = (address >= self._start[other]) & (address <= self._end[other]) & (found < 0)
                cell = self.base[other] + ((address >> self.shift) & (self.size[other] - 1))
                found = np.where(here, cell, found)
            out[self.span(region)] = found
        return out

    def silent(self, regions: Sequence[int]) -> Cells:
        """Nobody answers in ``regions``."""
        out = self.identity.copy()
        for region in regions:
            out[self.span(region)] = -1
        return out

    def elsewhere(self, region: int, other: int) -> Cells:
        """For accesses to ``region``: the cell of ``other`` at the same low address; -1 elsewhere."""
        out = self.nowhere.copy()
        word = self._addresses(region) >> self.shift
        out[self.span(region)] = self.base[other] + (word & (self.size[other] - 1))
        return out


def _hold_any(starts: NDArray[np.int64], ends: NDArray[np.int64], address: NDArray[np.int64]) -> NDArray[np.int64]:
    """The indices of the ranges (end inclusive) that hold any of the addresses, ascending."""
    ordered = np.sort(address)
    near = np.flatnonzero((starts <= ordered[-1]) & (ends >= ordered[0]))
    first = np.searchsorted(ordered, starts[near], side="left")
    found: NDArray[np.int64] = near[first < np.searchsorted(ordered, ends[near], side="right")]
    return found


def _force(word: NDArray[np.int64], bit: int, level: int) -> NDArray[np.int64]:
    return word | bit if level else word & ~bit


def _join(word: NDArray[np.int64], pair: int, high: bool) -> NDArray[np.int64]:
    seen = word & pair
    up = seen != 0 if high else seen == pair
    return np.where(up, word | pair, word & ~pair)
