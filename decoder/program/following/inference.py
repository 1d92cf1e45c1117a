"""Where instructions begin on a bus that does not tell: the following kernel and what it needs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.program.following.cycle_counts import pushed_bytes
from busledger.decoder.program.following.follow_kernel import FETCH, INTERRUPT, LOST, follow
from busledger.decoder.program.following.instructions import InstructionSet

__all__ = ["Inference"]

_IS_OWN = np.isin(np.arange(len(Kind)), (Kind.READ, Kind.WRITE, Kind.OPCODE_FETCH, Kind.IDLE))


class Inference:
    """Follows one run through blocks of cycles; ``settle`` is given all cycles that are not settled yet."""

    def __init__(self, table: InstructionSet) -> None:
        self._stream = table.file.fetch == "stream"
        cycles = table.cycles
        if self._stream and not cycles.any():  # one strobe a byte
            cycles = (np.uint32(2) << table.operands.astype(np.uint32)).astype(np.uint32)
        vectors = np.array(sorted(set(table.file.vectors.values())), np.int64)
        self._timing = (
            table.known, table.operands, table.next_page, table.flow, table.target, cycles, table.cycle_kind,
            table.late, table.post, table.post_bytes, table.post_cycles, pushed_bytes(),
        )  # fmt: skip
        longest = max(int(mask).bit_length() for mask in cycles.ravel())  # and a bit for what pushes or an index add
        longest += 12 if table.cycle_kind.any() else 0
        file = table.file
        self._shape = (table.mask, file.peeks, file.big_endian, file.return_adds, vectors, longest)
        self._locked = False

    def settle(
        self, cycles: Cycles, *, last: bool
    ) -> tuple[int, NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
        """(rows that are settled; which of all rows begin an instruction, are an interrupt's, begin what is none)."""
        n = len(cycles)
        own = np.flatnonzero(cycles.kind == Kind.OPCODE_FETCH if self._stream else _IS_OWN.take(cycles.kind))
        some = cycles if len(own) == n else cycles.take(own)
        mask = np.uint32(self._shape[0])
        read = np.asarray((some.kind == Kind.READ) | (some.kind == Kind.OPCODE_FETCH))
        address = np.where(some.address_unknown & mask, -1, (some.address & mask).astype(np.int64))
        data = np.where(some.data_unknown & np.uint32(0xFF), -1, (some.data & np.uint32(0xFF)).astype(np.int64))
        mark = np.zeros(len(own), np.uint8)
        shape = (*self._shape, _next_vector(read, address, data, self._shape[4]))
        stop, locked = follow(read, address, data, self._timing, shape, self._locked, last, mark)
        self._locked = bool(locked)
        settled = n if stop >= len(own) and last else int(own[stop]) if stop < len(own) else n
        fetch, taken, ended = np.zeros(n, np.bool_), np.zeros(n, np.bool_), np.zeros(n, np.bool_)
        marked = np.flatnonzero(mark)
        own, mark = own[marked], mark[marked]
        fetch[own[mark == FETCH]] = True
        taken[own[mark == INTERRUPT]] = True
        ended[own[(mark == INTERRUPT) | (mark == LOST)]] = True
        return settled, fetch, taken, ended


def _next_vector(
    read: NDArray[np.bool_], address: NDArray[np.int64], data: NDArray[np.int64], vectors: NDArray[np.int64]
) -> NDArray[np.int64]:
    """int64, a row and one more: the first row from there on in which a vector's first byte is read, in the next row
    its second; the number of rows where there is none."""
    least = vectors.min(initial=np.iinfo(np.int64).max)
    first = np.flatnonzero(address[:-1] >= least)  # few are
    first = first[address[first] + 1 == address[first + 1]]
    first = first[np.isin(address[first], vectors)]
    sure = [read[row] & (data[row] >= 0) for row in (first, first + 1)]
    first = first[sure[0] & sure[1]]
    counts = np.diff(first + 1, prepend=0, append=len(read) + 1)
    return np.repeat(np.append(first, len(read)), counts)
