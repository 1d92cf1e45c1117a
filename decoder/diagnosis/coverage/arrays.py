"""What the kernel that counts the coverage is handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

from numpy.typing import NDArray

__all__ = ["Accesses", "Regions", "State", "Sums", "Transfers"]


class Accesses(NamedTuple):
    """A row an access: ``cell`` int32, ``word`` int64 (address in data words), ``region`` int16, ``is_write`` bool,
    ``data``, ``unknown``, ``lanes`` uint32 (of the transfer), ``judged`` bool (a read with something to compare),
    ``expected``, ``known``, ``mismatch``, ``kept`` uint32."""

    cell: NDArray[Any]
    word: NDArray[Any]
    region: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    unknown: NDArray[Any]
    lanes: NDArray[Any]
    judged: NDArray[Any]
    expected: NDArray[Any]
    known: NDArray[Any]
    mismatch: NDArray[Any]
    kept: NDArray[Any]


class Regions(NamedTuple):
    """A row a region: ``base``, ``size`` (power of two) int64, ``bits`` int64 (word bits inside it), ``rom`` bool;
    ``comparable`` bool (regions, regions)."""

    base: NDArray[Any]
    size: NDArray[Any]
    bits: NDArray[Any]
    rom: NDArray[Any]
    comparable: NDArray[Any]


class State(NamedTuple):
    """Carried: ``value``, ``valid`` uint32 and ``stamp`` int64 a cell, ``clock`` int64 (1,), ``flags`` uint8 a cell,
    ``last`` int64 a region (last compared word, -1)."""

    value: NDArray[Any]
    valid: NDArray[Any]
    stamp: NDArray[Any]
    clock: NDArray[Any]
    flags: NDArray[Any]
    last: NDArray[Any]


class Sums(NamedTuple):
    """Added to, int64: ``levels`` (regions, right/wrong, lanes, level), ``moves`` (regions, lanes, level moved to),
    ``driven`` (regions,), ``before`` and ``until`` (lanes, regions, level): ``levels`` of right reads at the lane's
    first wrong bit (-1 until then) and at its last, ``pairs`` (regions, lanes, lanes), ``toggled`` (regions, bits),
    ``alias`` (regions, right/wrong, bits, level of the bit), ``apart`` (regions, regions)."""

    levels: NDArray[Any]
    moves: NDArray[Any]
    driven: NDArray[Any]
    before: NDArray[Any]
    until: NDArray[Any]
    pairs: NDArray[Any]
    toggled: NDArray[Any]
    alias: NDArray[Any]
    apart: NDArray[Any]


class Transfers(NamedTuple):
    """The columns of ``Cycles`` that the signs are counted of."""

    time: NDArray[Any]
    kind: NDArray[Any]
    flags: NDArray[Any]
    address: NDArray[Any]
    address_unknown: NDArray[Any]
    data: NDArray[Any]
    data_unknown: NDArray[Any]
