"""How many cycles an instruction takes, from the rows of a table.

A figure may carry one of these: ``4+`` one more (a page is crossed), ``2b`` one more or two (a branch taken, into
another page), ``5l`` one more (a long branch taken), ``6/15`` one or the other, ``4i`` as the indexed postbyte adds,
``5p`` as many more as registers are pushed or pulled. ``.`` stands where there is no instruction.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["BY_INDEX", "BY_PUSH", "FIXED", "cycle_masks", "pushed_bytes"]

FIXED, BY_INDEX, BY_PUSH = 0, 1, 2


def cycle_masks(rows: Sequence[str]) -> tuple[NDArray[np.uint32], NDArray[np.uint8]]:
    """(bit n set: n cycles are possible; what is added to them), both of shape (256,)."""
    masks, kinds = np.zeros(256, np.uint32), np.zeros(256, np.uint8)
    for at, token in enumerate(token for row in rows for token in row.split()):
        if token != ".":
            masks[at], kinds[at] = _mask(token)
    return masks, kinds


def _mask(token: str) -> tuple[int, int]:
    if "/" in token:
        return sum(1 << int(part) for part in token.split("/")), FIXED
    tail = token.lstrip("0123456789")
    least = 1 << int(token[: len(token) - len(tail)])
    return {
        "": (least, FIXED),
        "+": (least * 3, FIXED),
        "l": (least * 3, FIXED),
        "b": (least * 7, FIXED),
        "i": (least, BY_INDEX),
        "p": (least, BY_PUSH),
    }[tail]


def pushed_bytes() -> NDArray[np.uint8]:
    """Bytes that a postbyte of PSHS, PULS, PSHU or PULU moves: one each for CC, A, B, DP, two for X, Y, U or S, PC."""
    post = np.arange(256)
    moved = sum((post >> bit & 1) * (1 if bit < 4 else 2) for bit in range(8))
    return np.asarray(moved, np.uint8)
