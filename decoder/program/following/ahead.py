"""Programs of processors that read ahead: words or bytes of the program, and the cycles beside them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Flag, Kind
from busledger.decoder.program.following.ahead_8086_kernel import follow_queue
from busledger.decoder.program.following.ahead_68000_kernel import follow_ahead
from busledger.decoder.program.following.ahead_kernel import pack_bytes, pack_words, share_out
from busledger.decoder.program.following.arrays import AheadCode, AheadGaps, AheadMarks, CodeRows, Opcodes8086
from busledger.decoder.program.following.columns import Instructions, State
from busledger.decoder.program.following.lengths_8086 import opcodes_8086
from busledger.decoder.program.following.lengths_68000 import late_writes
from busledger.decoder.program.following.wide_set import WideSet

__all__ = ["Ahead"]

_Ints = NDArray[np.int64]
_VECTORS = 0x400  # addresses below it hold the vectors of exceptions
_FEWEST_PUSHED = 3
_TAKING = 24  # rows before the vector is read in which an exception has begun
_READ_MEANWHILE = 8
_MOVING = (Kind.READ, Kind.WRITE)


@dataclass(slots=True)
class _Code:
    """What was read of the program, and in which rows."""

    code: AheadCode
    rows: CodeRows


class Ahead:
    """Follows one run; ``settle`` is given all cycles that are not settled yet."""

    def __init__(self, table: WideSet, mask: int) -> None:
        self._table = table
        self._mask = mask
        self._locked = self._begun = False
        self._before = -1  # row, in the whole list, of the instruction that ran last

    def settle(self, cycles: Cycles, base: int, *, last: bool) -> tuple[int, _Ints, NDArray[np.uint8], Instructions]:
        """(rows that are settled, ``of`` and ``part`` of each, as ``Followed`` has them, the instructions among them).

        ``base`` numbers the first row in the whole list; instructions have no numbers of texts yet.
        """
        bytewise = self._table.file.units == "x86"
        code = self._bytes(cycles) if bytewise else self._words(cycles)
        n = len(code.code.value)
        if n and not self._begun:
            self._locked = int(code.code.address[0]) == self._table.file.starts_at
            self._begun = True
        marks = AheadMarks(
            np.zeros(n, np.uint8), np.full(n, -1, np.int64), np.empty(n, np.int64), np.empty(n, np.int64),
            np.zeros(2, np.int64),
        )  # fmt: skip
        gaps = AheadGaps(np.full(n, -1, np.int64), np.full(n, -1, np.int64), np.zeros(n, np.uint8))
        mask, words = self._mask, self._table.words
        if bytewise:
            done, locked = follow_queue(code.code, Opcodes8086(*opcodes_8086()), mask, self._locked, last, marks)
        else:
            late = late_writes(self._table.file.bus_bytes)
            done, locked = follow_ahead(code.code, words, late, mask, self._locked, last, marks, gaps)
        self._locked = bool(locked)
        stop = len(cycles) if last or done >= n else int(code.rows.first[done])
        counts = marks.counts
        first, length = marks.first[: counts[0]], marks.length[: counts[0]]
        of, part = np.full(stop, -1, np.int64), np.zeros(stop, np.uint8)
        row = code.rows.first[first] + base
        known = CodeRows(code.rows.first[:done], code.rows.last[:done])
        share_out(cycles.kind[:stop], known, marks, gaps, row, self._before, of, part)
        packed, tail = np.zeros(len(first), np.uint64), np.zeros(len(first), np.uint16)
        seen = np.ones(len(first), np.bool_)
        if bytewise:
            pack_bytes(code.code.value, first, length, packed)
            size = np.minimum(length, 8)
        else:
            pack_words(code.code.value, marks, packed, tail, seen)
            size = 2 * length
        if counts[1] != -2:
            self._before = int(row[counts[1]]) if counts[1] >= 0 else -1
        found = Instructions(
            row=row,
            end=np.append(row[1:], base + stop)[: len(row)],
            address=code.code.address[first].astype(np.uint32),
            packed=packed,
            tail=tail,
            size=size.astype(np.uint8),
            state=np.where(seen, State.WHOLE, State.DOUBTFUL).astype(np.uint8),
            text=np.full(len(first), -1, np.int32),
        )
        return stop, of, part, found

    def _words(self, cycles: Cycles) -> _Code:
        """The words of a 68000's program, or of a 68008's, whose two bytes are two cycles."""
        rows = np.flatnonzero(cycles.kind == Kind.OPCODE_FETCH)
        mask = np.uint32(self._mask)
        address = np.where(cycles.address_unknown[rows] & mask, -1, (cycles.address[rows] & mask).astype(np.int64))
        gap = np.cumsum((cycles.flags & Flag.AFTER_GAP) != 0)
        if self._table.file.bus_bytes == 2:
            whole = (cycles.width[rows] & 3 == 3) & (cycles.data_unknown[rows] & np.uint32(0xFFFF) == 0)
            value = np.where(whole, (cycles.data[rows] & np.uint32(0xFFFF)).astype(np.int64), -1)
            last_row = rows
        else:
            byte = _seen_bytes(cycles, rows)
            even = np.flatnonzero((address >= 0) & (address & 1 == 0))
            even = even[even + 1 < len(rows)]
            even = even[address[even + 1] == address[even] + 1]
            high, low = byte[even], byte[even + 1]
            value = np.where((high >= 0) & (low >= 0), high << 8 | low, -1)
            rows, last_row, address = rows[even], rows[even + 1], address[even]
        fresh = np.diff(gap[rows], prepend=0) > 0
        if len(rows):
            fresh[0] = False
        return self._code(cycles, value, address, rows, last_row, fresh)

    def _code(
        self, cycles: Cycles, value: _Ints, address: _Ints, rows: _Ints, last_row: _Ints, fresh: NDArray[np.bool_]
    ) -> _Code:
        reads = np.cumsum(cycles.kind == Kind.READ)
        moved = np.append(np.cumsum(np.isin(cycles.kind, _MOVING)), 0)
        moved[-1] = moved[-2] if len(cycles) else 0
        next_row = np.append(rows[1:], len(cycles))
        busy = moved[np.maximum(next_row - 1, 0)] > moved[last_row]
        vector = self._vectors(cycles, rows, address)
        code = AheadCode(value, address, fresh, vector, reads[rows], np.asarray(busy))
        return _Code(code, CodeRows(rows, last_row))

    def _bytes(self, cycles: Cycles) -> _Code:
        """The bytes of an 8088's program."""
        rows = np.flatnonzero(cycles.kind == Kind.OPCODE_FETCH)
        mask = np.uint32(self._mask)
        address = np.where(cycles.address_unknown[rows] & mask, -1, (cycles.address[rows] & mask).astype(np.int64))
        byte = _seen_bytes(cycles, rows)
        fresh = np.diff(np.cumsum((cycles.flags & Flag.AFTER_GAP) != 0)[rows], prepend=0) > 0
        if len(rows):
            fresh[0] = False
        return self._code(cycles, byte, address, rows, rows, fresh)

    def _vectors(self, cycles: Cycles, rows: _Ints, address: _Ints) -> _Ints:
        """For each word or byte of the program the address of an exception's routine that begins with it, else -1."""
        size, little = self._table.file.bus_bytes, not self._table.file.big_endian
        made = np.full(len(rows), -1, np.int64)
        reads = np.flatnonzero((cycles.kind == Kind.READ) & (cycles.address < _VECTORS))
        parts = 4 // size
        heads = reads[(cycles.address[reads] & np.uint32(3)) == 0]
        heads = heads[heads + parts <= len(cycles)]
        good = np.ones(len(heads), np.bool_)
        value = np.zeros(len(heads), np.int64)
        for k in range(parts):
            at = heads + k
            good &= (cycles.kind[at] == Kind.READ) & (cycles.address[at] == cycles.address[heads] + np.uint32(size * k))
            good &= cycles.data_unknown[at] & np.uint32((1 << 8 * size) - 1) == 0
            here = (cycles.data[at] & np.uint32((1 << 8 * size) - 1)).astype(np.int64)
            value = value | here << 8 * k if little else value << 8 * size | here
        if little:
            value = (value & 0xFFFF) + (value >> 16 << 4)
        heads, value = heads[good], value[good]
        written = np.cumsum(cycles.kind == Kind.WRITE)
        following = np.searchsorted(rows, heads)
        for head, to, k in zip(heads.tolist(), (value & self._mask).tolist(), following.tolist(), strict=True):
            # What waits in a queue may be read while the exception is being taken.
            there = np.flatnonzero(address[k : k + _READ_MEANWHILE] == to)
            if not len(there):
                continue
            j = k + int(there[0])
            if written[rows[j]] - written[max(0, head - _TAKING)] >= _FEWEST_PUSHED:
                made[j] = to
        return made


def _seen_bytes(cycles: Cycles, rows: _Ints) -> _Ints:
    """D0-D7 of the rows, -1 where a bit was not seen."""
    byte = (cycles.data[rows] & np.uint32(0xFF)).astype(np.int64)
    return np.where(cycles.data_unknown[rows] & np.uint32(0xFF), np.int64(-1), byte)
