"""The cells of all regions in one dense numbering, and where a faulty address leads."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["CellSpace", "Layer"]

Cells = NDArray[np.int32]

_LED_AMONG = 8  # sets of regions whose addresses are remembered: all, and those behind each address buffer
_LISTED_BITS = 16  # address bits of a bus, at the most, of which each address's cell is listed: 256 kB, in 2 ms


class Layer(NamedTuple):
    """Regions of which none overlaps another: first addresses, ascending, and their numbers."""

    start: NDArray[np.int64]
    region: NDArray[np.int64]



class _Led(NamedTuple):
    """Cells, their addresses, and where these may lead; ``listed``: the cell of every address of the bus, or None.
    Addresses are uint16 where these are listed: a map is made for every pair of lines, and the narrower is quicker."""

    cells: NDArray[np.int64] | slice
    address: NDArray[Any]
    targets: list[Layer]
    listed: Cells | None


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
        self._narrow = self._base.astype(np.int32), self._mask.astype(np.int32)
        self._start = [r.start for r in regions]
        self._end = [r.end for r in regions]
        self._ends = np.array(self._end, np.int64)
        self._space = [r.space for r in regions]
        # Even and odd chips may stand in two regions of the same addresses.
        self._bytes = [{bit // 8 for chip in r.chips for bit in chip.lanes} or set(range(4)) for r in regions]
        self.identity: Cells = np.arange(at, dtype=np.int32)
        self.nowhere: Cells = np.full(at, -1, np.int32)
        self._led: dict[tuple[int, ...], list[_Led]] = {}

    def locate(self, region: NDArray[np.int16], address: NDArray[np.uint32]) -> Cells:
        """int32 a row: the cell of an address in its region (rows with region -1 give rubbish)."""
        found: Cells = self._narrow[1].take(region, mode="wrap")  # no region has more than 2 ** 31 cells
        word = address.astype(np.uint32, copy=False)
        found &= (word >> np.uint32(self.shift) if self.shift else word).view(np.int32)
        found += self._narrow[0].take(region, mode="wrap")
        return found

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

    def regions_of(self, cells: NDArray[np.int32]) -> NDArray[np.int64]:
        """The region that owns each cell."""
        found: NDArray[np.int64] = np.searchsorted(self._base[:-1], cells, side="right") - 1
        return found

    def words(self) -> NDArray[np.int64]:
        """The bus address of every cell, in words."""
        found = [self._addresses(r) >> self.shift for r in range(len(self.size))]
        return np.concatenate(found) if found else np.zeros(0, np.int64)

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

    def forced_on_board(self, regions: Sequence[int], bits: Sequence[int], level: int) -> Cells:
        """As ``forced``, for all ``regions`` and some ``bits`` at once; the select may change with the address."""
        mask = sum(1 << bit for bit in set(bits))
        return self._across(regions, mask, lambda address: _force(address, mask, level))

    def joined_on_board(self, regions: Sequence[int], one: int, two: int, high: bool) -> Cells:
        """As ``joined``, for all ``regions`` at once."""
        pair = (1 << one) | (1 << two)
        return self._across(regions, pair, lambda address: _join(address, pair, high))

    def _across(self, regions: Sequence[int], bits: int, bend: Any) -> Cells:
        out = self.identity.copy()
        for led in self._led_among(tuple(regions)):
            if led.listed is None or bits >> self.address_bits:
                out[led.cells] = self._first_at(led.targets, bend(led.address.astype(np.int64)))
            else:
                out[led.cells] = led.listed.take(bend(led.address))
        return out

    def _first_at(self, targets: Sequence[Layer], address: NDArray[np.int64]) -> Cells:
        """The cell of each address in the first region of ``targets`` that holds it, -1 where none does."""
        found = np.full(len(address), -1, np.int64)
        for layer in targets:
            region, there = self._held_in(layer, address)
            found[there] = np.where(found[there] < 0, region[there], np.minimum(found[there], region[there]))
        return self._cell_in(found, address)

    def _led_among(self, regions: tuple[int, ...]) -> list[_Led]:
        """Of each kind of region (space, bytes of the bus): its cells, their addresses, and where these may lead."""
        held = self._led.get(regions)
        if held is None:
            kinds: dict[tuple[Any, frozenset[int]], list[int]] = {}
            for r in sorted(regions):
                kinds.setdefault((self._space[r], frozenset(self._bytes[r])), []).append(r)
            held = []
            for (space, own), members in kinds.items():
                able = [r for (s, b), others in kinds.items() if s == space and b & own for r in others]
                mine = self._cells_of(members)
                address = np.concatenate([self._addresses(r) for r in members])
                targets, listed = self.layers(able), None
                if self.address_bits <= _LISTED_BITS and address.max(initial=0) >> self.address_bits == 0:
                    listed = self._first_at(targets, np.arange(1 << self.address_bits))
                    address = address.astype(np.uint16)
                held.append(_Led(mine, address, targets, listed))
            if len(self._led) >= _LED_AMONG:
                self._led.clear()
            self._led[regions] = held
        return held

    def _cells_of(self, regions: Sequence[int]) -> NDArray[np.int64] | slice:
        """The cells of some regions, ascending; a slice where they lie side by side."""
        if list(regions) == list(range(regions[0], regions[-1] + 1)):
            return slice(self.base[regions[0]], self.base[regions[-1]] + self.size[regions[-1]])
        return np.concatenate([self.identity[self.span(r)] for r in regions]).astype(np.int64)

    def last_at(self, regions: Sequence[int], address: NDArray[np.int64]) -> Cells:
        """The cell of each bus address in the last of ``regions`` that holds it, -1 where none does."""
        found = np.full(len(address), -1, np.int64)
        for layer in self.layers(regions):
            region, there = self._held_in(layer, address)
            found[there] = np.maximum(found[there], region[there])
        return self._cell_in(found, address)

    def _held_in(self, layer: Layer, address: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        at = np.searchsorted(layer.start, address, side="right") - 1
        region = layer.region[at]
        return region, (at >= 0) & (address <= self._ends[region])

    def _cell_in(self, region: NDArray[np.int64], address: NDArray[np.int64]) -> Cells:
        cell = self._base[region] + ((address >> self.shift) & self._mask[region])
        return np.where(region >= 0, cell, -1).astype(np.int32)

    def layers(self, regions: Sequence[int]) -> list[Layer]:
        """Regions in layers, none of which holds two that overlap."""
        layers: list[list[int]] = []
        ends: list[int] = []
        for r in sorted(regions, key=lambda r: self._start[r]):
            at = next((k for k, end in enumerate(ends) if end < self._start[r]), len(ends))
            if at == len(ends):
                layers.append([])
                ends.append(-1)
            layers[at].append(r)
            ends[at] = self._end[r]
        return [Layer(np.array([self._start[r] for r in one], np.int64), np.array(one, np.int64)) for one in layers]

    def silent(self, regions: Sequence[int]) -> Cells:
        """Nobody answers in ``regions``."""
        out = self.identity.copy()
        for region in regions:
            out[self.span(region)] = -1
        return out

    def beside(self, asked: Sequence[int], answers: int) -> Cells:
        """As ``elsewhere``, for accesses to any of the regions ``asked``: the cell of the region that ``answers``."""
        out = self.elsewhere(asked[0], answers)
        for region in asked[1:]:
            span = self.span(region)
            out[span] = self.elsewhere(region, answers)[span]
        return out

    def elsewhere(self, region: int, other: int) -> Cells:
        """For accesses to ``region``: the cell of ``other`` at the same low address; -1 elsewhere."""
        out = self.nowhere.copy()
        word = self._addresses(region) >> self.shift
        out[self.span(region)] = self.base[other] + (word & (self.size[other] - 1))
        return out

    def elsewhere_all(self, answers: int, regions: Sequence[int]) -> Cells:
        """For accesses to any of ``regions`` but itself: the cell of ``answers`` at the same low address; -1 elsewhere.
        """
        out = self.nowhere.copy()
        for region in regions:
            if region != answers:
                out[self.span(region)] = self.elsewhere(region, answers)[self.span(region)]
        return out


def _force(word: NDArray[Any], bit: int, level: int) -> NDArray[Any]:
    high: NDArray[Any] = word | bit
    return high if level else high ^ bit


def _join(word: NDArray[Any], pair: int, high: bool) -> NDArray[Any]:
    seen = word & pair
    up = seen != 0 if high else seen == pair
    both: NDArray[Any] = word | pair
    return np.where(up, both, both ^ pair)
