"""Where in a region a lane fails: a stated or inferred region may hold several banks of chips.

Without a board file nobody says where one chip ends and the next begins. But a
lane that always fails inside one aligned power-of-two block, and never outside
it, draws that line itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger.columns import Compared, Verdict

__all__ = ["failing_blocks"]

_LEAST_SIZE = 64  # addresses: no chip of the period holds fewer
_LEAST_FAILURES = 16
_SURE = 0.95  # of the reads that could show it, inside the block

Blocks = Iterable[tuple[Cycles, Compared]]


def failing_blocks(
    blocks: Sequence[Blocks], spans: Sequence[tuple[int, int]], data_bits: int
) -> dict[int, list[tuple[int, int]]]:
    """Region index → aligned blocks (start, end inclusive), each smaller than the region, in which a lane is stuck.

    Parameters
    ----------
    blocks : the same accesses twice, as two iterables: they are passed over two times
    spans : (start, end) of every region, end inclusive

    A block counts only where the lane failed in one direction, in nearly every
    read that could show it inside the block and in none outside, with enough of both.
    """
    first, second = blocks
    low = np.full((len(spans), data_bits, 2), np.iinfo(np.int64).max)
    high = np.full((len(spans), data_bits, 2), -1, np.int64)
    for cycles, compared in first:
        _extent(cycles, compared, low, high)
    wanted: dict[tuple[int, int, int], tuple[int, int]] = {}
    for r, lane, level in zip(*np.nonzero(high >= 0), strict=True):
        if high[r, lane, 1 - level] >= 0:
            continue  # fails in both directions: not stuck
        block = _enclosing(int(low[r, lane, level]), int(high[r, lane, level]))
        if block[1] - block[0] + 1 < spans[r][1] - spans[r][0] + 1:
            wanted[int(r), int(lane), int(level)] = block
    if not wanted:
        return {}
    tallies = {key: np.zeros(4, np.int64) for key in wanted}
    for cycles, compared in second:
        for key, block in wanted.items():
            tallies[key] += _tally(cycles, compared, key, block)
    found: dict[int, list[tuple[int, int]]] = {}
    for (r, lane, level), (eligible, failed, outside, _) in tallies.items():
        if failed >= _LEAST_FAILURES and failed >= _SURE * eligible and outside >= _LEAST_FAILURES:
            block = wanted[r, lane, level]
            if block not in found.setdefault(r, []):
                found[r].append(block)
    return found


def _extent(cycles: Cycles, compared: Compared, low: NDArray[np.int64], high: NDArray[np.int64]) -> None:
    rows = np.flatnonzero(compared.verdict == Verdict.MISMATCH)
    if not len(rows):
        return
    address = cycles.address[rows].astype(np.int64)
    region = cycles.region[rows]
    for lane in range(low.shape[1]):
        bit = np.uint32(1 << lane)
        hit = compared.mismatch[rows] & bit != 0
        level = (compared.expected[rows] & bit != 0).astype(np.int64)
        np.minimum.at(low[:, lane], (region[hit], level[hit]), address[hit])
        np.maximum.at(high[:, lane], (region[hit], level[hit]), address[hit])


def _tally(cycles: Cycles, compared: Compared, key: tuple[int, int, int], block: tuple[int, int]) -> NDArray[np.int64]:
    """Reads that could show it inside, of these the failed ones, reads that could show it outside, all."""
    region, lane, level = key
    bit = np.uint32(1 << lane)
    read = (compared.verdict == Verdict.AGREES) | (compared.verdict == Verdict.MISMATCH)
    could = read & (cycles.region == region) & (compared.known & bit != 0)
    could &= (compared.expected & bit != 0) == bool(level)
    inside = could & (cycles.address >= block[0]) & (cycles.address <= block[1])
    failed = inside & (compared.mismatch & bit != 0)
    return np.array([inside.sum(), failed.sum(), (could & ~inside).sum(), could.sum()], np.int64)


def _enclosing(first: int, last: int) -> tuple[int, int]:
    size = _LEAST_SIZE
    while first // size != last // size:
        size *= 2
    start = first // size * size
    return start, start + size - 1
