"""What the gathering kernel is handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "AheadMarks",
    "AheadRows",
    "ByteTables",
    "FetchStyle",
    "Found",
    "GatherRows",
    "KnownTexts",
    "Opcodes",
    "QueueMarks",
    "QueueRows",
    "Texts",
]


class GatherRows(NamedTuple):
    """Columns of ``Cycles``; bool: ``fetch`` rows that fetch the first byte of an instruction (with ``each``: every
    prefix and opcode byte), ``address_bad`` and ``data_bad`` a bit of it was not seen, ``gap`` samples are missing
    before it."""

    kind: NDArray[Any]
    fetch: NDArray[Any]
    address: NDArray[Any]
    address_bad: NDArray[Any]
    data: NDArray[Any]
    data_bad: NDArray[Any]
    gap: NDArray[Any]


class FetchStyle(NamedTuple):
    """``each``: prefixes and opcodes are fetched alike; ``stream``: operands are told from data by their kind, they are
    opcode fetches too; ``peeks``: the byte behind an instruction may be read and thrown away; ``mask``: all bits of the
    program counter."""

    each: bool
    stream: bool
    peeks: bool
    mask: np.uint32


class ByteTables(NamedTuple):
    """Tables of ``InstructionSet`` that say how long an instruction is."""

    operands: NDArray[Any]
    optional: NDArray[Any]
    next_page: NDArray[Any]
    post: NDArray[Any]
    post_bytes: NDArray[Any]
    operand_first: NDArray[Any]


class Found(NamedTuple):
    """Filled, one an instruction, as many as rows at most: ``row`` of its first byte, ``end`` the row behind it
    (int64), its address (uint32), its bytes (uint64, first lowest), how many (uint8), its state (uint8)."""

    row: NDArray[np.int64]
    end: NDArray[np.int64]
    first_address: NDArray[np.uint32]
    packed: NDArray[np.uint64]
    size: NDArray[np.uint8]
    state: NDArray[np.uint8]


class Texts(NamedTuple):
    """Instructions by their bytes: address (uint32), bytes (uint64, first lowest) and those beyond eight, how many."""

    address: NDArray[Any]
    packed: NDArray[Any]
    tail: NDArray[Any]
    size: NDArray[Any]


class KnownTexts(NamedTuple):
    """Those that have a number: ``slots`` int32 (a power of two of them, -1 empty) lead into the others."""

    slots: NDArray[Any]
    address: NDArray[Any]
    packed: NDArray[Any]
    tail: NDArray[Any]
    size: NDArray[Any]


class AheadRows(NamedTuple):
    """Words fetched ahead: what they were, where, and whether samples are missing before them, a vector lies there, the
    bus was busy behind them."""

    word: NDArray[Any]
    address: NDArray[Any]
    fresh: NDArray[Any]
    vector: NDArray[Any]
    busy: NDArray[Any]


class AheadMarks(NamedTuple):
    """Filled by ``follow_ahead``, as it says."""

    mark: NDArray[Any]
    owner: NDArray[Any]
    gap_owner: NDArray[Any]
    gap_late: NDArray[Any]
    gap_writes: NDArray[Any]
    first: NDArray[Any]
    length: NDArray[Any]
    counts: NDArray[Any]


class QueueRows(NamedTuple):
    """Bytes fetched ahead: what they were, where, whether samples are missing before them, a vector lies there, memory
    was read behind them."""

    value: NDArray[Any]
    address: NDArray[Any]
    fresh: NDArray[Any]
    vector: NDArray[Any]
    reads: NDArray[Any]


class Opcodes(NamedTuple):
    """Tables of an 8086's opcodes, as ``length_at`` takes them."""

    more: Any
    modes: Any
    fields: Any


class QueueMarks(NamedTuple):
    """Filled by ``follow_queue``, as it says."""

    mark: NDArray[Any]
    owner: NDArray[Any]
    first: NDArray[Any]
    length: NDArray[Any]
    counts: NDArray[Any]
