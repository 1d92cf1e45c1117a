"""What the story's kernel is handed, by name."""

from __future__ import annotations

from typing import Any, NamedTuple

from numpy.typing import NDArray

__all__ = ["BecameOf", "CellMemory", "StoryRows"]


class StoryRows(NamedTuple):
    """Accesses in the order of time; ``lanes`` of the transfer, ``sure`` those of a known level."""

    cell: NDArray[Any]
    is_write: NDArray[Any]
    data: NDArray[Any]
    sure: NDArray[Any]
    lanes: NDArray[Any]
    compared: NDArray[Any]
    wrong: NDArray[Any]


class CellMemory(NamedTuple):
    """Carried, one a cell: ``held`` uint32 (cells × HELD) the contents it was seen to have, latest last, ``contents``
    int8 of them; ``content``, ``known`` uint32, what it was last written or read, and the lanes known; ``last_read``,
    ``read_known`` uint32; ``pending`` uint8, bit 0: no read since the last write, bit 1: that write changed what was
    known, bit 2: the last access was a read that came right; ``sound`` int64, the last row at which the cell held what
    it should, -1."""

    held: NDArray[Any]
    contents: NDArray[Any]
    content: NDArray[Any]
    known: NDArray[Any]
    last_read: NDArray[Any]
    read_known: NDArray[Any]
    pending: NDArray[Any]
    sound: NDArray[Any]


class BecameOf(NamedTuple):
    """Filled, one a row: ``took``, ``repeat`` uint8 (constants of the kernel); ``older`` uint8, of a wrong read: bit 0,
    it gives what the cell held earlier, bit 1, what the last read of it gave, from bit 2 on, how many other contents
    came since; ``since`` int64, the row before this one at which the cell was last written, or read right."""

    took: NDArray[Any]
    repeat: NDArray[Any]
    older: NDArray[Any]
    since: NDArray[Any]
