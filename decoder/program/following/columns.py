"""What a followed program says of each bus cycle, and the names that go with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

__all__ = ["PART_NAMES", "Flow", "Followed", "Instructions", "Part", "State"]


class Part(IntEnum):
    """What a bus cycle is to its instruction."""

    NONE = 0  # idle, refresh, another master, or nobody knows
    OPCODE = 1  # the first byte of an instruction
    OPERAND = 2  # a further byte: prefix, second opcode byte, operand
    DATA = 3  # what the instruction reads and writes
    PEEK = 4  # a byte behind the instruction, read and thrown away; or fetched ahead and never run
    INTERRUPT = 5  # the processor's own cycles as it takes an interrupt or comes out of reset


PART_NAMES: tuple[str, ...] = ("", *(part.name.lower() for part in list(Part)[1:]))


class Flow(IntEnum):
    """Where an instruction may go on."""

    NEXT = 0
    JUMP = 1
    BRANCH = 2  # the target, or the next instruction
    CALL = 3
    CALL_IF = 4
    RETURN = 5  # what it reads from the stack
    RETURN_IF = 6
    RESTART = 7  # an address that the opcode itself gives
    INDIRECT = 8  # an address that the bytes do not give
    REPEAT = 9  # itself, or the next instruction
    HALT = 10
    SKIP = 11  # the next instruction, or two bytes further
    SKIP_ONE = 12  # one byte further
    SOFTWARE_INTERRUPT = 13  # what it reads from a vector
    UNDEFINED = 14  # the published tables say nothing of it


class State(IntEnum):
    """How much of an instruction is there."""

    WHOLE = 0
    CUT = 1  # the next one began before its last byte, or the capture ended; the 8085 leaves out what it need not know
    DOUBTFUL = 2  # a bit of it was not seen
    ACKNOWLEDGE = 3  # given by whoever interrupts, not by memory


@dataclass(slots=True)
class Followed:
    """Parallel columns, one row a cycle, same order as the ``Cycles`` they belong to.

    Attributes
    ----------
    of : int64, index (in the whole list) of the cycle that fetched the first byte of this cycle's instruction; -1
    part : uint8, a ``Part``
    text : int32, at the first byte the number of the instruction in the glossary, elsewhere -1
    inferred : bool, the bus did not tell the fetch: it follows from what came before
    """

    of: NDArray[np.int64]
    part: NDArray[np.uint8]
    text: NDArray[np.int32]
    inferred: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.of.shape[0])

    @classmethod
    def empty(cls, n: int = 0) -> Followed:
        """n rows of which nothing is known."""
        return cls(np.full(n, -1, np.int64), np.zeros(n, np.uint8), np.full(n, -1, np.int32), np.zeros(n, np.bool_))

    def slice(self, start: int, stop: int) -> Followed:
        """Rows ``start:stop`` as views."""
        return Followed(*(getattr(self, f.name)[start:stop] for f in fields(self)))

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Followed:
        """The rows given by index or mask, copied."""
        return Followed(*(getattr(self, f.name)[rows] for f in fields(self)))

    def shifted(self, by: int) -> Followed:
        """The same, for a list whose numbers are ``by`` higher."""
        if by == 0:
            return self
        return Followed(np.where(self.of < 0, self.of, self.of + by), self.part, self.text, self.inferred)

    @classmethod
    def concat(cls, parts: Sequence[Followed]) -> Followed:
        """All parts one after another; no parts gives no rows."""
        if not parts:
            return cls.empty()
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))


@dataclass(slots=True)
class Instructions:
    """Parallel columns, one row an instruction, in the order in which they were fetched.

    Attributes
    ----------
    row : int64, index in the whole list of the cycle that fetched the first byte
    end : int64, index of the first cycle that is no longer its own
    address : uint32, of the first byte
    packed : uint64, the bytes, the first one lowest; of a longer one the first eight
    tail : uint16, bytes nine and ten
    size : uint8, how many bytes, 1 to 10
    state : uint8, a ``State``
    text : int32, number in the glossary, -1 where the bytes are not known
    """

    row: NDArray[np.int64]
    end: NDArray[np.int64]
    address: NDArray[np.uint32]
    packed: NDArray[np.uint64]
    tail: NDArray[np.uint16]
    size: NDArray[np.uint8]
    state: NDArray[np.uint8]
    text: NDArray[np.int32]

    def __len__(self) -> int:
        return int(self.row.shape[0])

    @classmethod
    def concat(cls, parts: Sequence[Instructions]) -> Instructions:
        """All parts one after another; no parts gives no rows."""
        if not parts:
            rows, small = np.zeros(0, np.int64), np.zeros(0, np.uint8)
            packed, tail = np.zeros(0, np.uint64), np.zeros(0, np.uint16)
            return cls(rows, rows, np.zeros(0, np.uint32), packed, tail, small, small, np.zeros(0, np.int32))
        return cls(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)))
