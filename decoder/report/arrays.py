"""What the kernels that write rows are handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["CycleColumns", "NumberForm", "ProgramColumns", "ProgramWords", "RowWords", "VerdictColumns", "Words"]


class Words(NamedTuple):
    """A table of words: word k is ``text[start[k]:start[k + 1]]``; ``text`` uint8, ``start`` int64."""

    text: NDArray[np.uint8]
    start: NDArray[np.int64]


class CycleColumns(NamedTuple):
    """Columns of ``Cycles``; ``number`` int64, the index of each in the whole capture."""

    number: NDArray[Any]
    time: NDArray[Any]
    kind: NDArray[Any]
    address: NDArray[Any]
    address_unknown: NDArray[Any]
    data: NDArray[Any]
    data_unknown: NDArray[Any]
    region: NDArray[Any]
    flags: NDArray[Any]


class VerdictColumns(NamedTuple):
    """Columns of ``Compared``."""

    verdict: NDArray[Any]
    expected: NDArray[Any]
    known: NDArray[Any]
    mismatch: NDArray[Any]


class NumberForm(NamedTuple):
    """How figures are written: a tick's whole nanoseconds ``tick_ns`` and the femtoseconds left over ``tick_rest``, so
    that times are exact; ``digits`` (9 to 15), the decimals of a time that is no whole number of nanoseconds."""

    tick_ns: int
    tick_rest: int
    digits: int
    address_nibbles: int
    data_nibbles: int
    address_mask: np.uint32
    data_mask: np.uint32


class RowWords(NamedTuple):
    """Kinds, regions (word 0 is "outside all"), combinations of flags; ``keys``: what stands before each value of a
    JSON line, and behind the last."""

    kinds: Words
    regions: Words
    flags: Words
    keys: Words


class ProgramColumns(NamedTuple):
    """``of`` int64 (-1: none); ``part``, ``told``, ``instruction`` and ``routine`` number words."""

    of: NDArray[Any]
    part: NDArray[Any]
    told: NDArray[Any]
    instruction: NDArray[Any]
    routine: NDArray[Any]


class ProgramWords(NamedTuple):
    """Word 0 stands for nothing. ``keys``: what goes before each of the columns (as many as there are keys but one),
    and last what stands for no number."""

    keys: Words
    parts: Words
    told: Words
    instructions: Words
    routines: Words
