"""What the decoder kernel is handed, as named columns: the lines, the part, and what is counted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["SLOTS", "DecoderArrays", "DecoderLines", "DecoderTable", "no_patterns"]

SLOTS = 256


class DecoderLines(NamedTuple):
    """Where a decoder's lines stand in the rows.

    ``relevant`` uint64 (4, words): the bits of the inputs (and of ``idle_*``), the outputs, the strobe, and the other
    address lines. ``in_word`` int64 and ``in_bit`` uint64 (inputs,), ``out_*`` likewise; ``strobe_mask``,
    ``strobe_want``, ``idle_mask``, ``idle_want`` uint64 (terms, words): when a strobe is active, when the bus is idle.
    """

    relevant: NDArray[np.uint64]
    in_word: NDArray[np.int64]
    in_bit: NDArray[np.uint64]
    out_word: NDArray[np.int64]
    out_bit: NDArray[np.uint64]
    strobe_mask: NDArray[np.uint64]
    strobe_want: NDArray[np.uint64]
    idle_mask: NDArray[np.uint64]
    idle_want: NDArray[np.uint64]


class DecoderTable(NamedTuple):
    """What a decoder should do.

    ``words`` int64 (2**inputs, choices): the outputs for each input combination and each value of what is not clipped.
    ``open_high`` outputs whose expected high is not judged (shared open collectors), ``idle`` the outputs' inactive
    levels, ``one_hot`` whether at most one is ever active; ``settle``, ``skew`` and ``bin_ticks`` in ticks.
    """

    words: NDArray[np.int64]
    open_high: int
    idle: int
    one_hot: bool
    settle: int
    skew: int
    bin_ticks: int


class DecoderArrays(NamedTuple):
    """What lives on between blocks and what is counted; columns are named in ``select_kernel``.

    ``state`` int64 (STATE_SIZE,), ``per_out`` int64 (outputs, PER_OUT_SIZE), ``last_row`` uint64 (words,) the levels of
    the row before; ``rows`` int64 (combinations,), ``seen`` int64 (combinations, outputs, 2), ``wrong`` and ``first``
    int64 (combinations, outputs), ``delay`` and ``widths`` int64 (outputs, BINS), ``glitch`` int64 (outputs,
    GLITCH_SIZE); ``met`` int64 (combinations, choices): moments of one block in which the table was just met.
    ``patterns`` uint64 and ``packed`` int64 (2, SLOTS), as ``no_patterns`` has them at first: of inputs and of outputs
    levels that were shown before, and what they made.
    """

    state: NDArray[np.int64]
    per_out: NDArray[np.int64]
    last_row: NDArray[np.uint64]
    rows: NDArray[np.int64]
    seen: NDArray[np.int64]
    wrong: NDArray[np.int64]
    first: NDArray[np.int64]
    delay: NDArray[np.int64]
    widths: NDArray[np.int64]
    glitch: NDArray[np.int64]
    met: NDArray[np.int64]
    patterns: NDArray[np.uint64]
    packed: NDArray[np.int64]


def no_patterns() -> tuple[NDArray[np.uint64], NDArray[np.int64]]:
    """``patterns`` and ``packed`` of nothing seen: no lines of a decoder are all lines of a row."""
    return np.full((2, SLOTS), ~np.uint64(0), np.uint64), np.zeros((2, SLOTS), np.int64)
