"""Which cycle of one run is which cycle of another run of the same program.

The offset at which most cycles agree, rare ones above all, is found for all
offsets at once, by correlating pseudo-random signs of what the cycles hold
(fast Fourier transform). From the longest undisturbed stretch there, both runs are followed
forwards and backwards over inserted, lost and changed cycles. Where a repeating
loop leaves more than one alignment equally good, the rows concerned get no
partner: left out, never invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Cycles, Kind
from busledger.decoder.planning import align_kernel as kernel

__all__ = ["Alignment", "align", "comparable"]

_PROJECTIONS = 4  # sums of as many random signs; more make the peak stand out better
_PEAKS = 24  # offsets that are counted exactly
_WINDOW = 2048  # cycles in which the best way on is searched where two runs stop agreeing
_SURE, _FAR = 512, 1 << 16  # after a longer stretch of one run's own, so many must agree within so many
_SEGMENTS = 1 << 20

_CLASS = np.arange(len(Kind), dtype=np.int64)
_CLASS[Kind.OPCODE_FETCH] = Kind.READ  # a pass without the fetch line cannot tell them apart


@dataclass(frozen=True, slots=True)
class Alignment:
    """Pairs of rows that belong together, both columns rising.

    Attributes
    ----------
    first, second : int64, shape (n,), rows of the two sequences
    rows_first, rows_second : lengths of the sequences
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    rows_first: int
    rows_second: int

    @property
    def share(self) -> float:
        """Paired rows as a share of the shorter sequence; 0 for an empty one."""
        return len(self.first) / max(1, min(self.rows_first, self.rows_second))

    def stretches(self) -> list[tuple[int, int]]:
        """Spans ``(start, stop)`` of the first sequence that have no partner."""
        paired = np.zeros(self.rows_first + 2, np.int8)
        paired[self.first + 1] = 1
        paired[[0, -1]] = 1
        change = np.diff(paired)
        return list(zip(np.flatnonzero(change == -1).tolist(), np.flatnonzero(change == 1).tolist(), strict=True))


def comparable(cycles: Cycles, address_mask: int, data_mask: int) -> NDArray[np.int64]:
    """int64, shape (n, 5): what two runs can be compared by; bits outside the masks count as unknown."""
    rows = np.zeros((len(cycles), 5), np.int64)
    rows[:, 0] = _CLASS[cycles.kind]
    rows[:, 2] = cycles.address_unknown & np.uint32(address_mask)
    rows[:, 1] = cycles.address & np.uint32(address_mask) & ~cycles.address_unknown
    rows[:, 4] = cycles.data_unknown & np.uint32(data_mask)
    rows[:, 3] = cycles.data & np.uint32(data_mask) & ~cycles.data_unknown
    return rows


def align(a: NDArray[np.int64], b: NDArray[np.int64]) -> Alignment:
    """Pair the rows of two sequences made by ``comparable`` with the same masks."""
    n, m = len(a), len(b)
    partner = np.full(n, -1, np.int64)
    start = _start(a, b)
    if start is not None:
        i, j = start
        _follow(a[i:], b[j:], partner[i:], j)
        back = np.full(i, -1, np.int64)
        _follow(np.ascontiguousarray(a[:i][::-1]), np.ascontiguousarray(b[:j][::-1]), back, 0)
        partner[:i] = np.where(back >= 0, j - 1 - back, -1)[::-1]
    rows = np.flatnonzero(partner >= 0)
    return Alignment(rows, partner[rows], n, m)


def _follow(a: NDArray[np.int64], b: NDArray[np.int64], partner: NDArray[np.int64], base: int) -> None:
    """Pair the rows of two sequences that start together."""
    if not len(a) or not len(b):
        return
    segments = np.empty((min(_SEGMENTS, len(a) + 1), 3), np.int64)
    size = min(_WINDOW, max(len(a), len(b)))
    score, moves = np.empty((3, size + 1), np.int32), np.empty((size + 1, size + 1), np.uint8)
    pairs = np.empty((size + 1, 2), np.int64)
    count = kernel.walk(a, b, score, moves, pairs, _SURE, _FAR, segments)
    kernel.believe(a, b, segments, count, partner)
    partner[partner >= 0] += base


def _start(a: NDArray[np.int64], b: NDArray[np.int64]) -> tuple[int, int] | None:
    """The middle of the longest agreeing stretch at the offset where most of what is rare agrees."""
    if not len(a) or not len(b):
        return None
    keys = np.empty(len(a), np.uint64), np.empty(len(b), np.uint64)
    for rows, out in zip((a, b), keys, strict=True):
        kernel.keys(rows, out)
    # The fetches of a loop come thousands of times and say little about where in the run we are:
    # a cycle counts by how rare it is.
    held, kind, times = np.unique(np.concatenate(keys), return_inverse=True, return_counts=True)
    weight = np.where(held == 0, 0.0, 1.0 / times)[kind]
    best: tuple[float, int, int, int] | None = None
    for offset in _offsets(*keys, weight):
        total, at, run = kernel.agreeing_rows(a, b, weight[: len(a)], offset)
        # Of offsets that agree equally well (a program that repeats itself) the smallest shift.
        rank = (total, -abs(offset), at + run // 2, offset)
        if run and (best is None or rank > best):
            best = rank
    if best is None:
        return None
    return best[2], best[2] + best[3]


def _offsets(a: NDArray[np.uint64], b: NDArray[np.uint64], weight: NDArray[np.float64]) -> list[int]:
    """The offsets b - a at which random signs of the keys, weighted by rarity, correlate best."""
    from scipy.fft import irfft, next_fast_len, rfft

    n, m = len(a), len(b)
    size = next_fast_len(n + m, real=True)
    sums = np.zeros(size)
    strength = np.sqrt(weight)
    for bit in range(_PROJECTIONS):
        one, two = (
            part * (((key >> np.uint64(63 - bit)) & np.uint64(1)).astype(np.float64) * 2 - 1)
            for part, key in zip((strength[:n], strength[n:]), (a, b), strict=True)
        )
        sums += irfft(np.conj(rfft(one, size)) * rfft(two, size), size)
    best = np.argsort(sums)[::-1][:_PEAKS]
    return [int(k) if k < m else int(k) - size for k in best]
