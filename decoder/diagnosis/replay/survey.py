"""How many reads came wrong, on which lanes, in which cells and when: what the diagnosis has to explain."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.rows import Rows

__all__ = ["Survey", "survey_of"]


@dataclass
class Survey:
    """Sums over all rows, for the proposals and for "none of these".

    ``patterns``: (region, mask of wrong lanes) → int64[WINDOWS, 2], wrong reads and
    how many of them are events; ``compared``: region → int64[WINDOWS], reads
    compared; ``cells``: cell → [wrong reads, mask of lanes].
    """

    patterns: dict[tuple[int, int], NDArray[np.int64]]
    compared: dict[int, NDArray[np.int64]]
    cells: dict[int, list[int]]

    @cached_property
    def masks(self) -> dict[int, list[tuple[int, int]]]:
        """Region → (mask of wrong lanes, how many reads) of each pattern, once all is counted."""
        found: dict[int, list[tuple[int, int]]] = {}
        for (region, mask), often in self.patterns.items():
            found.setdefault(region, []).append((mask, int(often[:, 0].sum())))
        return found

    @property
    def wrong(self) -> int:
        """Wrong reads in all."""
        return int(sum(found[:, 0].sum() for found in self.patterns.values()))

    @property
    def total(self) -> int:
        """Compared reads in all."""
        return int(sum(found.sum() for found in self.compared.values()))

    def lanes(self) -> dict[int, int]:
        """Region → mask of the lanes that read wrong."""
        found: dict[int, int] = {}
        for region, mask in self.patterns:
            found[region] = found.get(region, 0) | mask
        return found


def survey_of(blocks: Iterable[Rows], regions: int) -> Survey:
    """Counted over all blocks; ``regions``: how many the card has."""
    found = Survey({}, {}, {})
    for rows in blocks:
        judged = rows.compared != 0
        spots = rows.region[judged].astype(np.int64) * WINDOWS + rows.window[judged]
        counts = np.bincount(spots, minlength=regions * WINDOWS).reshape(-1, WINDOWS)
        for region in np.flatnonzero(counts.any(axis=1)):
            held = found.compared.setdefault(int(region), np.zeros(WINDOWS, np.int64))
            held += counts[region]
        bad = np.flatnonzero(rows.wrong)
        if not len(bad):
            continue
        _add_patterns(found, rows, bad)
        _add_cells(found, rows.cell[bad], rows.wrong[bad])
    return found


def _add_patterns(found: Survey, rows: Rows, bad: NDArray[np.intp]) -> None:
    key = (rows.region[bad].astype(np.uint64) << np.uint64(32)) | rows.wrong[bad]
    keys, at = np.unique(key, return_inverse=True)
    spot = at.astype(np.int64) * WINDOWS + rows.window[bad]
    wrong = np.bincount(spot, minlength=len(keys) * WINDOWS)
    events = np.bincount(spot, weights=rows.event[bad], minlength=len(keys) * WINDOWS)
    counts = np.stack([wrong, events], axis=1).astype(np.int64).reshape(len(keys), WINDOWS, 2)
    for k, count in zip(keys, counts, strict=True):
        name = (int(k >> np.uint64(32)), int(k) & 0xFFFFFFFF)
        found.patterns[name] = found.patterns.get(name, 0) + count


def _add_cells(found: Survey, cell: NDArray[np.int32], wrong: NDArray[np.uint32]) -> None:
    cells, at, count = np.unique(cell, return_inverse=True, return_counts=True)
    masks = np.zeros(len(cells), np.uint32)
    np.bitwise_or.at(masks, at, wrong)
    for c, n, m in zip(cells, count, masks, strict=True):
        held = found.cells.setdefault(int(c), [0, 0])
        held[0] += int(n)
        held[1] |= int(m)
