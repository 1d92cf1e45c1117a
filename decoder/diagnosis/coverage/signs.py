"""Signs that what was recorded is not what was on the bus, counted over the whole capture.

A clip that has come off shows as a line that never moves, or stops moving, while the bus goes on; a capture that is
too slow as doubtful cycles and strobes a sample or two long. None of it can be seen in the accesses of one region.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Layout, Profile, bit_numbers, line_names
from busledger.decoder.bus.columns import READ_KINDS, WRITE_KINDS, Cycles, Kind
from busledger.decoder.capture import Capture
from busledger.decoder.diagnosis.coverage import signs_kernel as kernel
from busledger.decoder.diagnosis.coverage.arrays import Transfers

__all__ = ["CaptureSigns", "LatchWrites", "Rest", "count_few_lines"]

_WAY = np.zeros(len(Kind), np.uint8)
_WAY[list(READ_KINDS)] = kernel.READ
_WAY[list(WRITE_KINDS)] = kernel.WRITE
_LATCH_ROWS = 200_000  # writes outside all regions that are kept
_OUTSIDE_READS = 300_000  # reads outside all regions that are kept
_DATA = 32  # address bits come first in a word of the kernel
# Rows of a capture up to which numpy counts what lines did: more are worth the 0.5 s that the kernel takes to be
# compiled.
_FEW_ROWS = 1 << 17


_Columns = tuple[NDArray[Any], ...]  # of a block's rows: time, address, data, whether it is one of the io space


@dataclass(frozen=True, slots=True)
class Rest:
    """How long a bit of the bus stood still.

    ``moves`` changes in ``of`` transfers; ``high``, ``low``: transfers by level; ``since``: ticks of the transfer at
    which it changed last (of the first one where it never did), with ``after`` transfers from there on;
    ``quiet``: the longest rest between two changes, in transfers, ``quiet_from`` to ``quiet_to`` ticks; ``second``: the
    longest but one; ``rests``: transfers, first and last tick of the longest of all that are long, the longest first.
    """

    moves: int
    of: int
    high: int
    low: int
    level: int
    since: int
    after: int
    quiet: int
    quiet_from: int
    quiet_to: int
    second: int
    rests: tuple[tuple[int, int, int], ...] = ()


@dataclass(frozen=True, slots=True)
class LatchWrites:
    """Writes outside all regions, or reads there, int64 arrays: ``time`` in ticks, ``address``, ``data``, ``io`` 0 or
    1."""

    time: NDArray[np.int64]
    address: NDArray[np.int64]
    data: NDArray[np.int64]
    io: NDArray[np.int64]


class CaptureSigns:
    """Streaming counts over all rows and all transfers.

    Parameters
    ----------
    profile, layout : which line is which bit, and what role it plays
    grid_ticks : ticks a sample, None where the times lie on no grid

    Attributes
    ----------
    transfers, reads, writes : transfers counted, in all and by direction
    unsettled, short, unknown : of them, those whose address or data moved inside their window, whose strobe was
        short, that have a bit not known though its line is clipped
    last_read, last_write : ticks, -1 = none
    reads_after_write, writes_after_read : reads since the last write, writes since the last read
    longest_reading, longest_writing : the most reads between two writes, the most writes between two reads
    reading_span, writing_span : the ticks of the writes around those reads, and of the reads around those writes
    second_reading : the most reads between two other writes
    """

    def __init__(self, profile: Profile, layout: Layout, grid_ticks: float | None) -> None:
        self.profile, self.names, self.grid_ticks = profile, layout.names, grid_ticks
        self.rows = 0
        self.span = (0, 0)
        wired = set(layout.names)
        self.address_lines = _lines_of(profile, "address", wired)
        self.data_lines = _lines_of(profile, "data", wired)
        self._wired = np.uint64(_mask(self.address_lines) | _mask(self.data_lines) << _DATA)
        self._before = np.zeros(2, np.uint64)
        self._state = np.zeros(kernel.STATE_SIZE, np.int64)
        self._state[[kernel.LAST_READ, kernel.LAST_WRITE]] = -1
        self._bits = np.zeros((64, kernel.BIT_SIZE), np.int64)
        self.spacings: NDArray[np.int64] = np.zeros(kernel.SPACINGS, np.int64)
        words = layout.words
        self._line_before = np.zeros(words, np.uint64)
        self._lines = np.zeros((64 * words, kernel.LINE_SIZE), np.int64)
        self._changes, self._times = np.zeros(kernel.CHUNK, np.uint64), np.zeros(kernel.CHUNK, np.int64)
        self._latch: list[_Columns] = []
        self._reads: list[_Columns] = []
        self._latch_rows = self._read_rows = 0
        self._tell()

    def feed(self, levels: Capture, cycles: Cycles) -> None:
        """One block of rows and the cycles that ended in it, regions filled in (-1 = outside all)."""
        if len(levels):
            start = self.span[0] if self.rows else int(levels.time[0])
            begun = self.rows > 0
            self.rows += len(levels)
            if self.rows <= _FEW_ROWS and not levels.unknown.any():
                count_few_lines(levels.time, levels.levels, begun, self._line_before, self._lines)
            else:
                columns = (levels.levels.reshape(-1), levels.unknown.reshape(-1))
                held = np.empty(kernel.PLANES + 2 * (len(levels) // kernel.CHUNK + 1), np.uint64)
                kernel.count_lines(levels.time, *columns, begun, self._line_before, self._lines, held)
            self.span = (start, int(levels.time[-1]))
        if not len(cycles):
            return
        kernel.count_transfers(
            Transfers(
                cycles.time, cycles.kind, cycles.flags, cycles.address, cycles.address_unknown, cycles.data,
                cycles.data_unknown,
            ),
            _WAY, self._wired, self._before, self._state, self._bits, self.spacings, self._changes, self._times,
        )  # fmt: skip
        self._tell()
        if self._latch_rows >= _LATCH_ROWS and self._read_rows >= _OUTSIDE_READS:
            return
        outside = np.flatnonzero(cycles.region < 0)
        way = _WAY.take(cycles.kind.take(outside))
        rows = outside[way == kernel.WRITE][: _LATCH_ROWS - self._latch_rows]
        self._latch_rows += _keep(self._latch, cycles, rows, Kind.IO_WRITE)
        rows = outside[way == kernel.READ][: _OUTSIDE_READS - self._read_rows]
        self._read_rows += _keep(self._reads, cycles, rows, Kind.IO_READ)

    def _tell(self) -> None:
        """The attributes, out of the kernel's state."""
        told, k = self._state.tolist(), kernel
        self.transfers, self.reads, self.writes = told[k.COUNT], told[k.READS], told[k.WRITES]
        # A line that is x does not move: what is not known is counted by itself.
        self.unsettled, self.short, self.unknown = told[k.UNSETTLED], told[k.SHORT], told[k.UNKNOWN]
        self.last_read, self.last_write = told[k.LAST_READ], told[k.LAST_WRITE]
        self.reads_after_write, self.writes_after_read = told[k.SINCE_WRITE], told[k.SINCE_READ]
        self.longest_reading, self.second_reading = told[k.READING], told[k.READING_SECOND]
        self.longest_writing = told[k.WRITING]
        self.reading_span = (told[k.READING_FROM], told[k.READING_TO])
        self.writing_span = (told[k.WRITING_FROM], told[k.WRITING_TO])

    # -- what came of it ---------------------------------------------------
    def latches(self) -> LatchWrites:
        """The writes outside all regions, the first 200 000 of them."""
        return _joined(self._latch)

    def outside_reads(self) -> LatchWrites:
        """The reads outside all regions, the first 300 000 of them; a bit that is not known counts as low."""
        return _joined(self._reads)

    def address_bit(self, bit: int) -> Rest:
        """What one address bit did in all transfers."""
        return self._rest(bit)

    def data_bit(self, bit: int) -> Rest:
        """What one data bit did in all transfers, reads and writes alike."""
        return self._rest(bit + _DATA)

    def _rest(self, b: int) -> Rest:
        row = self._bits[b]
        level = int(self._before[0] >> np.uint64(b)) & 1
        count = int(self._state[kernel.COUNT])
        of = count - int(row[kernel.LOW])
        high = int(row[kernel.HIGH]) + (count - int(row[kernel.HIGH_FROM]) if level else 0)
        return Rest(
            moves=int(row[kernel.MOVES]),
            of=of,
            high=high,
            low=of - high,
            level=level,
            since=int(row[kernel.LAST_TIME]),
            after=count - int(row[kernel.LAST]),
            quiet=int(row[kernel.QUIET]),
            quiet_from=int(row[kernel.QUIET_FROM]),
            quiet_to=int(row[kernel.QUIET_TO]),
            second=int(row[kernel.SECOND]),
            rests=_longest(row[kernel.RESTS :].reshape(-1, 3)),
        )

    def line(self, name: str) -> tuple[int, int, int]:
        """(changes, ticks of the last change, level at the end) of a clipped line; ValueError where it is not."""
        place = self.names.index(name)
        level = int(self._line_before[place // 64] >> np.uint64(place % 64)) & 1
        row = self._lines[place]
        return int(row[kernel.LINE_MOVES]), int(row[kernel.LINE_LAST]), level


def count_few_lines(
    time: NDArray[np.int64], levels: NDArray[np.uint64], begun: bool, before: NDArray[np.uint64],
    lines: NDArray[np.int64],
) -> None:  # fmt: skip
    """As ``count_lines``, without a kernel; ``levels`` uint64 (rows, words), one row or more, and all of them known."""
    changed = levels.copy()
    changed[1:] ^= levels[:-1]
    changed[0] ^= before if begun else levels[0]
    for word, some in enumerate(np.bitwise_or.reduce(changed, axis=0).tolist()):
        for bit in range(some.bit_length()):
            if some >> bit & 1:
                moved = changed[:, word] & np.uint64(1 << bit) != 0
                row = lines[64 * word + bit]
                row[kernel.LINE_MOVES] += np.count_nonzero(moved)
                row[kernel.LINE_LAST] = time[len(time) - 1 - int(moved[::-1].argmax())]
    before[:] = levels[-1]


def _keep(kept: list[_Columns], cycles: Cycles, rows: NDArray[np.intp], io: Kind) -> int:
    """How many rows were added to those kept, as narrow as they are: nobody may ever ask for them."""
    if len(rows):
        columns = (column.take(rows) for column in (cycles.time, cycles.address, cycles.data))
        kept.append((*columns, cycles.kind.take(rows) == io))
    return len(rows)


def _joined(kept: list[_Columns]) -> LatchWrites:
    if not kept:
        return LatchWrites(*(np.zeros(0, np.int64) for _ in range(4)))
    return LatchWrites(*(np.concatenate(parts, dtype=np.int64) for parts in zip(*kept, strict=True)))


def _longest(kept: NDArray[np.int64]) -> tuple[tuple[int, int, int], ...]:
    rows = [(int(rest), int(first), int(last)) for rest, first, last in kept if rest]
    return tuple(sorted(rows, key=lambda row: (-row[0], row[1])))


def _lines_of(profile: Profile, what: str, wired: set[str]) -> Mapping[int, str]:
    """Bit → the clipped line that carries it in the bus's first source of addresses or data."""
    pieces = [p for source in (profile.addresses if what == "address" else profile.datas) for p in source.pieces]
    found: dict[int, str] = {}
    for piece in pieces:
        for line, bit in zip(line_names(piece.lines), bit_numbers(piece.bits), strict=True):
            if line in wired and bit < _DATA:
                found.setdefault(bit, line)
    return found


def _mask(lines: Mapping[int, str]) -> int:
    return sum(1 << bit for bit in lines)
