"""Where in a chip the failing cells lie: the few address bits that they share.

A weak row, column or half of an array fails at all addresses that agree in some
address bits. Per cell it is known how often it was read with a level that a
fault could have hurt, and how often it was hurt; a *patch* fixes some address
bits and takes the cells that agree with them. Patches are grown from the whole
chip bit by bit, each time by the bit that explains the counts best.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, log_rate

__all__ = ["Patch", "Scatter", "cell_counts", "patches", "scatter"]

Counts = NDArray[np.int64]

_GROWN = 3  # patches followed at each size
_LEAST_CELLS = 2  # failing cells; one alone is a fault of its cell
# A bad cell among many: few cells of a wearing chip have gone. Our estimate, as that of a chip's share of bad parts.
_BAD_CELLS = (0.5, 20.0)


class Patch(NamedTuple):
    """Cells that agree with ``levels`` on the address bits in ``bits`` (of the word inside the region).

    ``hits``, ``misses``: chances taken and missed there; ``outside``: hits elsewhere; ``failing``, ``tested``: cells;
    ``log_choice``: log of how many patches of this size there are.
    """

    bits: int
    levels: int
    hits: int
    misses: int
    outside: int
    failing: int
    tested: int
    log_choice: float

    def lines(self, shift: int) -> list[tuple[int, int]]:
        """(bus address bit, level) of each bit that is fixed."""
        return [(b + shift, (self.levels >> b) & 1) for b in range(self.bits.bit_length()) if (self.bits >> b) & 1]


class Scatter(NamedTuple):
    """Cells here and there fail, each of them always."""

    failing: int
    tested: int
    hits: int
    misses: int
    log_like: float


def cell_counts(
    cell: NDArray[np.int32], first: int, size: int, chance: NDArray[np.bool_], hurt: NDArray[np.bool_]
) -> Counts:
    """int64[size, 2]: chances taken and missed, by cell of one region (``first``: its first cell)."""
    word = cell[chance] - first
    return np.bincount(word * 2 + ~hurt[chance], minlength=2 * size).reshape(size, 2).astype(np.int64)


def patches(counts: Counts) -> Iterator[Patch]:
    """Patches that are worth weighing, the whole chip and single cells left out."""
    failing = counts[:, 0] > 0
    if np.count_nonzero(failing) < _LEAST_CELLS:
        return
    width = (len(counts) - 1).bit_length()
    word = np.arange(len(counts))
    total = int(counts[:, 0].sum())
    held: dict[tuple[int, int], NDArray[np.bool_]] = {(0, 0): np.ones(len(counts), np.bool_)}
    seen: set[tuple[int, int]] = set()
    for size in range(1, width):
        grown: list[tuple[float, Patch, NDArray[np.bool_]]] = []
        for (bits, levels), inside in held.items():
            for b in range(width):
                if (bits >> b) & 1:
                    continue
                for level in (0, 1):
                    key = (bits | 1 << b, levels | level << b)
                    if key in seen:
                        continue
                    seen.add(key)
                    there = inside & (((word >> b) & 1) == level)
                    found = _patch(key, there, counts, failing, total, width, size)
                    if found is not None:
                        grown.append((_worth(found), found, there))
        grown.sort(key=lambda item: -item[0])
        held = {(p.bits, p.levels): there for _, p, there in grown[:_GROWN]}
        yield from (p for _, p, _ in grown[:_GROWN])


def _patch(
    key: tuple[int, int], there: NDArray[np.bool_], counts: Counts, failing: NDArray[np.bool_], total: int, width: int,
    size: int,
) -> Patch | None:  # fmt: skip
    hits, misses = (int(n) for n in counts[there].sum(axis=0))
    cells = int(np.count_nonzero(failing & there))
    if cells < _LEAST_CELLS:
        return None
    tested = int(np.count_nonzero(counts[there].any(axis=1)))
    choice = math.log(math.comb(width, size)) + size * math.log(2.0)
    return Patch(*key, hits, misses, total - hits, cells, tested, choice)


def _worth(patch: Patch) -> float:
    own = max(log_rate(patch.hits, patch.misses, HARD), log_rate(patch.hits, patch.misses, SOMETIMES))
    return own - 12.0 * patch.outside - patch.log_choice


def scatter(counts: Counts) -> Scatter | None:
    """Some cells fail each time, the others never; None where fewer than two do."""
    bad = counts[:, 0] > 0
    failing, tested = int(np.count_nonzero(bad)), int(np.count_nonzero(counts.any(axis=1)))
    if failing < _LEAST_CELLS:
        return None
    hits, misses = (int(n) for n in counts[bad].sum(axis=0))
    own = log_rate(failing, tested - failing, _BAD_CELLS) + log_rate(hits, misses, HARD)
    return Scatter(failing, tested, hits, misses, own)
