"""Regions from the traffic alone, so that a first answer need not wait for a board file."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.ledger.regions import SPACES, actions

__all__ = ["InferredRun", "TrafficMap"]

_GAP = 64  # cells: a run may have holes this long, as programs leave
_LEAST = 8  # cells: a shorter run is more likely a port than a memory
_WRITE, _READ = 1, 2


@dataclass(frozen=True, slots=True)
class InferredRun:
    """Addresses ``start`` to ``end`` (inclusive), a power of two long and aligned to it.

    ``touched`` counts the cells written and read inside; ``written`` is False
    for runs that were only read (a ROM, or memory nobody has written yet).
    """

    space: str
    start: int
    end: int
    touched: int
    written: bool


@dataclass
class TrafficMap:
    """Which addresses were written and which read, per space, over all blocks.

    ``rule_spaces`` as for ``RegionMap``.
    """

    rule_spaces: tuple[str, ...] = ()
    _marks: dict[tuple[int, int], NDArray[np.uint8]] = field(default_factory=dict)

    def feed(self, cycles: Cycles, compared: Compared | None = None) -> None:
        """Mark one block's memory accesses; those with unknown address bits are left out."""
        action = actions(cycles)
        space = self._space(cycles)
        sure = (action != 0) & (cycles.address_unknown == 0)
        key = (space.astype(np.int64) << 32) | cycles.address
        for code, mark in ((2, _WRITE), (1, _READ)):
            # Pages of 4096 addresses: np.unique on a block costs less than a table of the whole space.
            cells = np.unique(key[sure & (action == code)])
            pages = cells >> 12
            edges = np.flatnonzero(np.diff(pages)) + 1
            for part in np.split(cells, edges) if len(cells) else []:
                slot = (int(part[0]) >> 32, (int(part[0]) & 0xFFFFFFFF) >> 12)
                page = self._marks.setdefault(slot, np.zeros(4096, np.uint8))
                page[part & 0xFFF] |= mark

    def _space(self, cycles: Cycles) -> NDArray[np.uint8]:
        if self.rule_spaces:
            codes = np.array([SPACES.index(s) for s in self.rule_spaces], np.uint8)
            return codes[cycles.rule]
        io: NDArray[np.bool_] = (cycles.kind == Kind.IO_READ) | (cycles.kind == Kind.IO_WRITE)
        return io.astype(np.uint8)

    def runs(self) -> list[InferredRun]:
        """Written-and-read runs, rounded out to a power of two, in address order; none overlap."""
        found: list[InferredRun] = []
        for code, name in enumerate(SPACES):
            if name == "io":
                continue
            cells = self._cells(code)
            if not len(cells):
                continue
            address, mark = cells[:, 0], cells[:, 1]
            # Never-written cells split runs: a ROM next to a RAM is not part of it.
            ram = address[mark & _WRITE > 0]
            found += _merge(name, ram, address, mark)
        return found

    def _cells(self, code: int) -> NDArray[np.int64]:
        parts = []
        for (space, page), marks in sorted(self._marks.items()):
            if space == code:
                at = np.flatnonzero(marks)
                parts.append(np.stack([at + (page << 12), marks[at].astype(np.int64)], axis=1))
        return np.concatenate(parts).astype(np.int64) if parts else np.zeros((0, 2), np.int64)


def _merge(
    space: str, ram: NDArray[np.int64], address: NDArray[np.int64], mark: NDArray[np.int64]
) -> list[InferredRun]:
    if not len(ram):
        return []
    cuts = np.flatnonzero(np.diff(ram) > _GAP) + 1
    spans: list[tuple[int, int]] = []
    for part in np.split(ram, cuts):
        if len(part) < _LEAST:
            continue
        spans.append(_round_out(int(part[0]), int(part[-1])))
    merged: list[tuple[int, int]] = []
    for span in sorted(spans):
        while merged and span[0] <= merged[-1][1]:
            last = merged.pop()
            span = _round_out(min(last[0], span[0]), max(last[1], span[1]))
        merged.append(span)
    runs = []
    for start, end in merged:
        inside = (address >= start) & (address <= end)
        touched = int((inside & (mark & _WRITE > 0) & (mark & _READ > 0)).sum())
        if touched:
            runs.append(InferredRun(space, start, end, touched, True))
    return runs


def _round_out(start: int, end: int) -> tuple[int, int]:
    """The smallest aligned power-of-two block that holds both."""
    size = 1
    while (start // size) != (end // size):
        size *= 2
    first = start // size * size
    return first, first + size - 1
