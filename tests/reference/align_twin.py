"""The best-scoring alignment by trying every one: the slow twin of ``align_kernel.extend``."""

from __future__ import annotations

from functools import lru_cache

MATCH, CHANGE, OPEN = 64, 96, 192


def agrees(a: tuple[int, ...], b: tuple[int, ...]) -> bool:
    known = ~(a[2] | b[2]), ~(a[4] | b[4])
    return a[0] == b[0] and not (a[1] ^ b[1]) & known[0] and not (a[3] ^ b[3]) & known[1]


def best_score(a: list[tuple[int, ...]], b: list[tuple[int, ...]]) -> int:
    """The best score of an alignment of a beginning of ``a`` with a beginning of ``b`` that ends on a pair; 0 = none.

    A gap of k rows costs OPEN + k, and every change of side opens a new one.
    """

    @lru_cache(None)
    def score(i: int, j: int, last: str) -> float:
        if (i, j) == (0, 0):
            return 0 if last == "pair" else float("-inf")
        if i < 0 or j < 0:
            return float("-inf")
        if last == "pair":
            if i == 0 or j == 0:
                return float("-inf")
            before = max(score(i - 1, j - 1, s) for s in ("pair", "a", "b"))
            return before + (MATCH if agrees(a[i - 1], b[j - 1]) else -CHANGE)
        back = (i - 1, j) if last == "a" else (i, j - 1)
        if min(back) < 0:
            return float("-inf")
        return max(score(*back, s) - (1 if s == last else OPEN + 1) for s in ("pair", "a", "b"))

    return int(max([0, *(score(i, j, "pair") for i in range(len(a) + 1) for j in range(len(b) + 1))]))
