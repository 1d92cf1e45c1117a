"""What the gathering kernel is handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "AheadCode",
    "AheadGaps",
    "AheadMarks",
    "ByteTables",
    "CodeRows",
    "FetchStyle",
    "Found",
    "FoundWords",
    "GatherRows",
    "Opcodes8086",
    "Spelled",
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


class FoundWords(NamedTuple):
    """As ``Found``, with bytes nine and ten of each (uint16) beside the first eight."""

    row: NDArray[np.int64]
    end: NDArray[np.int64]
    first_address: NDArray[np.uint32]
    packed: NDArray[np.uint64]
    tail: NDArray[np.uint16]
    size: NDArray[np.uint8]
    state: NDArray[np.uint8]


class Spelled(NamedTuple):
    """What makes an instruction another one: columns of ``Instructions``."""

    address: NDArray[np.uint32]
    packed: NDArray[np.uint64]
    tail: NDArray[np.uint16]
    size: NDArray[np.uint8]


class AheadCode(NamedTuple):
    """What was read of the program, in order: words, or an 8088's bytes.

    ``value`` int64 (-1 a bit was not seen), ``address`` int64 (-1), ``fresh`` bool (samples are missing before it),
    ``vector`` int64 (where an exception taken before it leads, -1 none), ``reads`` int64 (reads of data before it, all
    in all), ``busy`` bool (data are read or written behind it before the next one).
    """

    value: NDArray[np.int64]
    address: NDArray[np.int64]
    fresh: NDArray[np.bool_]
    vector: NDArray[np.int64]
    reads: NDArray[np.int64]
    busy: NDArray[np.bool_]


class AheadMarks(NamedTuple):
    """Filled: ``mark`` uint8 (a ``Part``) and ``owner`` int64 (number of its instruction, -1) of each word or byte;
    ``first`` and ``length`` int64 of each instruction; ``counts`` int64: (instructions, the last of them)."""

    mark: NDArray[np.uint8]
    owner: NDArray[np.int64]
    first: NDArray[np.int64]
    length: NDArray[np.int64]
    counts: NDArray[np.int64]


class AheadGaps(NamedTuple):
    """Filled: whose the accesses behind each word are. The first ``writes`` (uint8) writes are those of instruction
    ``late`` (int64), the others of ``owner`` (int64): -1 of none, -2 of the last instruction of the call before, -4 of
    an exception."""

    owner: NDArray[np.int64]
    late: NDArray[np.int64]
    writes: NDArray[np.uint8]


class Opcodes8086(NamedTuple):
    """The tables of ``lengths_8086.opcodes_8086``."""

    more: NDArray[np.uint8]
    modes: NDArray[np.uint8]
    fields: NDArray[np.uint8]


class CodeRows(NamedTuple):
    """First and last row of each word or byte of the program."""

    first: NDArray[np.int64]
    last: NDArray[np.int64]
