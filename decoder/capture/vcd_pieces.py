"""Pieces of a dump's body: cut at time stamps, lexed alone, in threads.

A piece knows nothing of what came before it: its rows say which bits it has
*touched*, and ``vcd_body`` puts the earlier levels under the others. That a
piece really began at a time stamp, and not inside a ``$comment`` that holds
one, is only known once the piece before it has been read; if not, it is read again.
"""

from __future__ import annotations

import mmap
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.arrays import DumpState, Gaps, RowsOut
from busledger.decoder.capture.row_memory import RowMemory, no_bits
from busledger.decoder.capture.rows import Rows
from busledger.decoder.capture.sources import ByteSource
from busledger.decoder.capture.vcd_tables import Tables
from busledger.decoder.heap import fresh_memory

__all__ = ["Buffer", "Lexed", "Piece", "cut_pieces", "lex_piece"]

PIECE_BYTES = 4 << 20
_CUT_WINDOW = 1 << 16
_GAP_ROWS = 1024


Buffer = bytearray | mmap.mmap


@dataclass(slots=True)
class Piece:
    """``data[:stop]`` of the body, from byte ``offset`` of the file.

    ``alone``: it begins with ``#``, so it may be lexed before its neighbour.
    ``last``: the file ends with it.
    """

    data: Buffer
    stop: int
    offset: int
    alone: bool
    last: bool


@dataclass(slots=True)
class Lexed:
    """What one piece says; bits it has not touched are 0 in ``levels`` and ``unknown``.

    ``room``: the same columns with one row more in front, for the row that the piece before left open. ``known``: no
    level is unknown, and ``unknown`` is nobody's to write to; ``writable`` makes it the piece's own.
    """

    status: int
    position: int
    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    room: Rows
    known: bool
    touch_row: NDArray[np.int64]
    touch_mask: NDArray[np.uint64]
    gaps: list[tuple[int, int]]
    now: NDArray[np.uint64]
    end_time: int
    mode: int
    section: int
    force: bool
    long_count: int
    long_at: int

    def writable(self) -> None:
        """``unknown`` may be written to from now on."""
        if self.known:
            self.room.unknown = np.zeros_like(self.room.unknown)
            self.unknown, self.known = self.room.unknown[1:], False


def cut_pieces(
    source: ByteSource, head: bytes, offset: int, size: int, spare: deque[Buffer] | None = None
) -> Iterator[Piece]:
    """Pieces of about ``size`` bytes, each beginning with a time stamp if one is near the cut.

    ``head`` are the bytes of the body already taken from the source, ``offset``
    where they lie in the file; ``spare`` buffers of pieces done with, to be filled again.
    """
    left: bytes | bytearray = b""
    alone = True
    taken = 0  # of head
    while True:
        room = max(size + _CUT_WINDOW, len(left) + 1) if size >= _CUT_WINDOW else len(left) + size
        data = _taken(spare)
        if len(data) != room:
            ahead = room if source.size is None else source.size - source.consumed() + len(head) - taken
            data = fresh_memory(room, ahead + len(left))
        data[: len(left)] = left
        stop, ended = len(left), False
        view = memoryview(data)
        while stop < len(data) and not ended:
            if taken < len(head):
                got = min(len(head) - taken, len(data) - stop)
                view[stop : stop + got] = head[taken : taken + got]
                taken += got
            else:
                got = source.readinto(view[stop:])
            stop += got
            ended = got == 0
        view.release()
        if ended:
            yield Piece(data, stop, offset, alone, True)
            return
        cut = data.rfind(b"\n#", max(1, stop - _CUT_WINDOW), stop)
        if cut < 0:
            cut = data.rfind(b" #", max(1, stop - _CUT_WINDOW), stop)
        end = cut + 1 if cut > 0 else stop
        left = data[end:stop]
        yield Piece(data, end, offset, alone, False)
        alone = cut > 0
        offset += end


def _taken(spare: deque[Buffer] | None) -> Buffer:
    """A buffer that is done with, or none, which fits nothing; other threads may take one, too."""
    try:
        return spare.pop() if spare else bytearray()
    except IndexError:
        return bytearray()


def lex_piece(
    data: Buffer, stop: int, tables: Tables, mode: int, time: int, memory: RowMemory, plain: bool = False
) -> Lexed:
    """Lex ``data[:stop]`` from ``mode`` and ``time`` (-1: it begins with its own time stamp) into rows of ``memory``.

    ``plain``: with the kernel that knows every token, and without those before it that are quick with the common
    ones. The rows are the same; compiling or loading the others takes longer than they save on a few megabytes.
    """
    from busledger.decoder.capture import vcd_kernel as k

    words = tables.words
    capacity = stop // 5 + 2  # a row takes a stamp and a change: at least "#1 1! "
    touches = min(64 * words, capacity) + 1  # each comes with a row, and no bit is first touched twice
    columns = memory.rows(capacity + 1, words)
    rows = RowsOut(
        columns[0][1:], columns[1][1:], columns[2][1:],
        np.empty(touches, np.int64), np.empty((touches, words), np.uint64),
    )  # fmt: skip
    state = np.zeros(k.STATE_SIZE, np.int64)
    state[k.MODE], state[k.TIME], state[k.SECTION] = mode, time, -1
    now, last = np.zeros((3, words), np.uint64), np.zeros((3, words), np.uint64)
    found_gaps = Gaps(np.empty(_GAP_ROWS, np.int64), np.empty(_GAP_ROWS, np.int64))
    carried = DumpState(state, now, last)
    gaps: list[tuple[int, int]] = []
    buf = np.frombuffer(data, np.uint8)

    def step(buf: NDArray[np.uint8], at: int) -> tuple[int, int]:
        if plain:
            found = k.lex(buf, at, stop, -1, carried, tables.lines, rows, found_gaps)
        elif words == 1:
            from busledger.decoder.capture.vcd_fast_kernel import lex_narrow

            found = lex_narrow(buf, at, stop, carried, tables.lines, rows, found_gaps)
        elif words <= 4:
            from busledger.decoder.capture.vcd_four_kernel import lex_four

            found = lex_four(buf, at, stop, carried, tables.lines, rows, found_gaps, (0,) * words)
        else:
            from busledger.decoder.capture.vcd_wide_kernel import lex_wide

            found = lex_wide(buf, at, stop, carried, tables.lines, rows, found_gaps)
        return int(found[0]), int(found[1])

    at = 0
    while True:
        with np.errstate(over="ignore"):  # hashes and digit arithmetic wrap on purpose; only seen with the JIT off
            status, at = step(buf, at)
        count = int(state[k.GAPS])
        gaps += zip(found_gaps.time[:count].tolist(), found_gaps.kind[:count].tolist(), strict=True)
        state[k.GAPS] = 0
        if status != k.FULL:
            break
    n, touched = int(state[k.ROWS]), int(state[k.TOUCHES])
    known = not state[k.OPEN]
    unknown = no_bits(n + 1, words) if known else columns[2][: n + 1]
    return Lexed(
        int(status),
        int(at),
        rows.time[:n],
        rows.levels[:n],
        unknown[1:],
        Rows(columns[0][: n + 1], columns[1][: n + 1], unknown),
        known,
        rows.touch_row[:touched],
        rows.touch_mask[:touched],
        gaps,
        now,
        int(state[k.TIME]),
        int(state[k.MODE]),
        int(state[k.SECTION]),
        bool(state[k.FORCE]),
        int(state[k.LONG]),
        int(state[k.LONG_AT]),
    )
