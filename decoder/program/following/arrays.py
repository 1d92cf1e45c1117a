"""What the gathering kernel is handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["ByteTables", "FetchStyle", "Found", "GatherRows"]


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
