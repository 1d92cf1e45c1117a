"""What the buffers' kernels are handed, by name."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Carried", "Drivers", "PathSums", "RegionLines", "Served", "Sides"]


class Carried(NamedTuple):
    """Columns of ``Cycles``, uint32 each: what the bus carried, and what it had kept before."""

    address: NDArray[np.uint32]
    data: NDArray[np.uint32]
    data_unknown: NDArray[np.uint32]
    kept: NDArray[np.uint32]


class Drivers(NamedTuple):
    """What is asked of each buffer's control lines: ``can_be_off`` bool it must be off outside its regions;
    ``can_drive`` bool they say whether it drives, not only which way; ``pin`` int64 (buffers, PIN_SIZE); ``shared``
    bool (buffers, buffers) have lanes in common and can be told apart; ``watched`` uint64 (words,) all control lines;
    ``role`` int8 (regions and, last, none of them; kinds of cycle; buffers) what such a cycle is to each buffer;
    ``writes`` bool (kinds,) the CPU drives the bus; ``standing`` int64 (buffers,) to work in."""

    can_be_off: NDArray[np.bool_]
    can_drive: NDArray[np.bool_]
    pin: NDArray[np.int64]
    shared: NDArray[np.bool_]
    watched: NDArray[np.uint64]
    role: NDArray[np.int8]
    writes: NDArray[np.bool_]
    standing: NDArray[np.int64]


class PathSums(NamedTuple):
    """``table`` int64 (lanes, 4 roles, 2 kept, 2 in, 2 out); ``first_wrong`` int64 (lanes,) ticks, -1 never;
    ``delay`` int64 (lanes, 2 ways, BINS); ``apart`` int64 (lanes, lanes): transfers in which both lanes came out wrong
    and what went in was not the same, the lower lane first."""

    table: NDArray[np.int64]
    first_wrong: NDArray[np.int64]
    delay: NDArray[np.int64]
    apart: NDArray[np.int64]


class RegionLines(NamedTuple):
    """The select of each region and, last, of none of them: ``word`` int64, ``bit`` uint64; ``away`` int64 the level at
    which it is not there, 2 where no select is clipped."""

    word: NDArray[np.int64]
    bit: NDArray[np.uint64]
    away: NDArray[np.int64]


class Served(NamedTuple):
    """Columns of ``Cycles``: int16, uint8, uint32."""

    region: NDArray[np.int16]
    kind: NDArray[np.uint8]
    address_unknown: NDArray[np.uint32]


class Sides(NamedTuple):
    """Where each lane of a buffer is clipped: word and bit of its near and of its far side."""

    near_word: NDArray[np.int64]
    near_bit: NDArray[np.uint64]
    far_word: NDArray[np.int64]
    far_bit: NDArray[np.uint64]
