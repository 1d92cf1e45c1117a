"""Which cycle of one run is which cycle of another run of the same program.

The offset at which most cycles agree is found for all offsets at once, by
correlating pseudo-random signs of what the cycles hold (fast Fourier
transform). From the longest undisturbed stretch there, both runs are followed
forwards and backwards over inserted, lost and changed cycles. Where a repeating
loop leaves more than one alignment equally good, the rows concerned get no
partner: left out, never invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from decoder.bus import Cycles, Kind

from . import align_kernel as kernel

__all__ = ["Alignment", "align", "comparable"]

_PROJECTIONS = 4  # sums of as many random signs; more make the peak stand out better
_PEAKS = 24  # offsets that are counted exactly
_NEED = 24  # cycles that must agree before two runs are taken as together again
_REACH = 2048  # cycles that may have been inserted or lost at one place
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
    count = kernel.walk(a, b, 0, 0, _NEED, _REACH, segments)
    kernel.believe(a, b, segments, count, partner)
    partner[partner >= 0] += base


def _start(a: NDArray[np.int64], b: NDArray[np.int64]) -> tuple[int, int] | None:
    """The middle of the longest agreeing stretch at the offset where most rows agree."""
    best: tuple[int, int, int, int] | None = None
    for offset in _offsets(a, b):
        total, at, run = kernel.agreeing_rows(a, b, offset)
        # Of offsets that agree equally well (a program that repeats itself) the smallest shift.
        rank = (total, -abs(offset), at + run // 2, offset)
        if run and (best is None or rank > best):
            best = rank
    if best is None:
        return None
    return best[2], best[2] + best[3]


def _offsets(a: NDArray[np.int64], b: NDArray[np.int64]) -> list[int]:
    """The offsets b - a whose signs correlate best."""
    from scipy.fft import irfft, next_fast_len, rfft

    n, m = len(a), len(b)
    if not n or not m:
        return []
    size = next_fast_len(n + m, real=True)
    sums = np.zeros(size, np.float32)
    for seed in range(_PROJECTIONS):
        signs = [np.empty(len(rows), np.float32) for rows in (a, b)]
        for rows, out in zip((a, b), signs, strict=True):
            kernel.key_signs(rows, seed, out)
        # Common cycles (the same fetch over and over) would drown the rest: each side without its mean.
        one, two = (s - s.mean() for s in signs)
        sums += irfft(np.conj(rfft(one, size)) * rfft(two, size), size)
    best = np.argsort(sums)[::-1][:_PEAKS]
    return [int(k) if k < m else int(k) - size for k in best]
