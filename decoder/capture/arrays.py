"""What the reading kernels are handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Codes", "CsvForm", "DumpState", "Gaps", "LineTables", "PlainTables", "RowsOut", "Targets"]


class Codes(NamedTuple):
    """Identifier codes, as ``vcd_kernel.find_variable`` looks them up."""

    one: NDArray[Any]
    keys: NDArray[Any]
    key_var: NDArray[Any]
    blob: NDArray[Any]
    long_at: NDArray[Any]
    long_var: NDArray[Any]


class Targets(NamedTuple):
    """Where digits go. A variable's (a column's) ``kind`` and ``size`` in bits; it owns the entries ``first[v]:first[v
    + 1]`` of ``bit`` (0 = the right-most digit), ``word`` and ``mask``: its bit number, and where that bit lies."""

    kind: NDArray[np.int64]
    size: NDArray[np.int64]
    first: NDArray[np.int64]
    bit: NDArray[np.int64]
    word: NDArray[np.int64]
    mask: NDArray[np.uint64]


class PlainTables(NamedTuple):
    """For the common tokens: ``role`` of each first byte; for each one-byte code the target bits, whether it is a
    scalar (or not selected), and the word they lie in; for each variable its bits, the place of its bit 0 (-1: use the
    full lexer), its size and its word. ``four_``: of rows of up to four words, where its bits may lie in several: its
    bits in each, uint64[·, 4], the place of its bit 0 (-1 as above), and 1 for a scalar among them."""

    role: NDArray[Any]
    one_mask: NDArray[Any]
    one_plain: NDArray[Any]
    var_mask: NDArray[Any]
    var_shift: NDArray[Any]
    var_width: NDArray[Any]
    one_word: NDArray[Any]
    var_word: NDArray[Any]
    four_masks: NDArray[Any]
    four_shift: NDArray[Any]
    four_scalar: NDArray[Any]


class LineTables(NamedTuple):
    """From codes to lines; ``selected`` uint64[words] marks the lines in use."""

    selected: NDArray[np.uint64]
    ids: Codes
    targets: Targets
    common: PlainTables


class DumpState(NamedTuple):
    """Carried: ``slots`` int64[16]; ``now`` and ``last`` uint64[3, words], levels, unknown and touched, at the current
    time and in the row written last."""

    slots: NDArray[np.int64]
    now: NDArray[np.uint64]
    last: NDArray[np.uint64]


class RowsOut(NamedTuple):
    """Rows written: ``time`` int64, ``levels`` and ``unknown`` uint64[·, words]; ``touch_row`` int64 the rows in which
    bits were first touched, ``touch_mask`` uint64[·, words] those bits."""

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    touch_row: NDArray[np.int64]
    touch_mask: NDArray[np.uint64]


class Gaps(NamedTuple):
    """Where a dump stopped and went on: ``time`` in ticks, ``kind`` 1 = stopped."""

    time: NDArray[np.int64]
    kind: NDArray[np.int64]


class CsvForm(NamedTuple):
    """``origin``: ticks that count as 0, none later than the first line's; ``sample_ticks``: ticks a sample, used where
    no column is a time; ``power``: of ten, from the time column's unit to ticks."""

    delimiter: int
    power: int
    origin: int
    sample_ticks: float
