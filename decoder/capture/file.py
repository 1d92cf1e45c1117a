"""Opening a capture: what kind it is, its header, its rows in blocks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO

import numpy as np
from numpy.typing import NDArray

from decoder.capture.columns import Capture, Gap, Header, Note
from decoder.capture.sources import ByteSource, open_source, shown_path
from decoder.capture.vcd_body import BodyReader, Rows
from decoder.capture.vcd_header import VcdHeader, read_declarations
from decoder.capture.vcd_pieces import PIECE_BYTES, cut_pieces
from decoder.capture.vcd_scan import Scan
from decoder.capture.vcd_tables import build_tables
from decoder.errors import CaptureError, UsageError
from decoder.progress import Progress, silent

__all__ = ["CaptureFile", "open_capture"]

_HEAD = 1 << 16


def open_capture(
    path: str | Path, *, rate_hz: float | None = None, progress: Progress = silent, stdin: IO[bytes] | None = None
) -> CaptureFile:
    """Open a capture and read its header.

    Parameters
    ----------
    path : a VCD or a CSV of samples, plain or packed (.gz .bz2 .xz .zst, told by content); ``-`` = standard input
    rate_hz : samples a second, for a CSV without a time column
    progress : called every few megabytes
    stdin : binary stream read in place of ``sys.stdin.buffer``

    Raises CaptureError: unreadable, empty, binary, or a header against the standard.
    """
    return CaptureFile(str(path), rate_hz, progress, stdin)


class CaptureFile:
    """A capture whose header has been read; ``blocks`` reads its levels.

    Attributes
    ----------
    path : the path as given
    header : signals and time unit
    notes : what must be told about the file; complete once the blocks are read
    end_time : ticks of the last time stamp read so far
    """

    def __init__(self, path: str, rate_hz: float | None, progress: Progress, stdin: IO[bytes] | None) -> None:
        self.path, self._rate_hz, self._progress, self._stdin = path, rate_hz, progress, stdin
        self.where = shown_path(path)
        self.notes: list[Note] = []
        self.end_time = 0
        self.piece_bytes: int | None = None
        self._lines_before = 0
        self._source: ByteSource | None = open_source(path, stdin)
        try:
            self._head = self._read_head(self._source)
        except BaseException:
            self.close()
            raise
        self.notes += self._vcd.notes
        self._used = False

    @property
    def header(self) -> Header:
        """Signals and time unit."""
        return self._vcd.header

    def blocks(self, select: Sequence[int], *, block_rows: int = 1 << 18) -> Iterator[Capture]:
        """Rows in blocks of ``block_rows`` (the last is shorter).

        ``select[k]`` is the index in ``header.signals`` that becomes bit k; -1 is a
        line that is never known. A second call opens the file again; standard
        input cannot be, and raises CaptureError.
        """
        if block_rows < 1:
            raise UsageError(f"a block of {block_rows} rows", expected="at least 1")
        for index in select:
            if not -1 <= index < len(self.header.signals):
                raise UsageError(f"no signal {index}", expected=f"-1 to {len(self.header.signals) - 1}")
        return self._blocks(list(select), block_rows)

    def read(self, select: Sequence[int]) -> Capture:
        """The whole capture in one block."""
        blocks = list(self.blocks(select))
        words = max(1, (len(select) + 63) // 64)
        if not blocks:
            none = np.zeros((0, words), np.uint64)
            return Capture(np.zeros(0, np.int64), none, none.copy(), self.header.tick_fs)
        return Capture(
            np.concatenate([b.time for b in blocks]),
            np.concatenate([b.levels for b in blocks]),
            np.concatenate([b.unknown for b in blocks]),
            self.header.tick_fs,
            tuple(gap for b in blocks for gap in b.gaps),
        )

    def close(self) -> None:
        """Let go of the file."""
        source, self._source = self._source, None
        if source is not None:
            source.close()

    def __enter__(self) -> CaptureFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _read_head(self, source: ByteSource) -> bytes:
        """Read the header; returns the bytes of the body that came with it."""
        scan = Scan(self.where)
        buffer = bytearray(_HEAD)
        with memoryview(buffer) as view:
            empty = True
            while scan.body_at is None:
                got = source.readinto(view)
                if got == 0:
                    if empty:
                        raise CaptureError("the file is empty", where=self.where, hint="Record it again.")
                    scan.finish()
                empty = False
                scan.feed(bytes(view[:got]))
        self._vcd: VcdHeader = read_declarations(scan)
        return bytes(memoryview(scan.data)[scan.body_at :])

    def _reopen(self) -> None:
        if self._used or self._source is None:
            if self.path == "-":
                raise CaptureError("standard input can be read only once", where=self.where, hint="Save it to a file.")
            self.close()
            self._source = open_source(self.path, self._stdin)
            self._head = self._read_head(self._source)
        self._used = True

    def _blocks(self, select: list[int], block_rows: int) -> Iterator[Capture]:
        self._reopen()
        source = self._source
        assert source is not None
        tables = build_tables(self._vcd.variables, select)
        reader = BodyReader(tables, self.where, self.header.tick_s, self.notes, self._line_of, source.cut)
        size = self.piece_bytes or max(1 << 16, PIECE_BYTES // tables.words)
        joiner = _Joiner(block_rows, self.header.tick_fs)
        for rows in reader.rows(cut_pieces(source, self._head, self._vcd.body_at, size)):
            self.end_time = reader.end_time
            self._progress("reading", source.consumed(), source.size, "bytes")
            yield from joiner.add(rows)
        yield from joiner.rest()

    def _line_of(self, offset: int) -> int:
        """Line number of a byte, counted from 1; reads the file again up to there."""
        if self.path == "-" or (self._source is not None and not self._source.again):
            return 0
        source = open_source(self.path)
        buffer = bytearray(1 << 20)
        line, left = 1, offset
        with memoryview(buffer) as view:
            while left > 0:
                got = source.readinto(view[: min(left, len(view))])
                if got == 0:
                    break
                line += buffer.count(b"\n", 0, got)
                left -= got
        source.close()
        return line


class _Joiner:
    """Cuts rows of any number into blocks of one size."""

    def __init__(self, block_rows: int, tick_fs: int) -> None:
        self._size, self._tick_fs = block_rows, tick_fs
        self._parts: list[Rows] = []
        self._count = self._first_row = 0
        self._gaps: list[Gap] = []

    def add(self, rows: Rows) -> Iterator[Capture]:
        """Take rows; give every block that is full."""
        self._gaps += rows.gaps
        if rows.time.size:
            self._parts.append(rows)
            self._count += rows.time.size
        while self._count >= self._size:
            yield self._block(self._size)

    def rest(self) -> Iterator[Capture]:
        """The last, shorter block."""
        if self._count:
            yield self._block(self._count)

    def _block(self, n: int) -> Capture:
        words = self._parts[0].levels.shape[1]
        time = np.empty(n, np.int64)
        levels: NDArray[np.uint64] = np.empty((n, words), np.uint64)
        unknown: NDArray[np.uint64] = np.empty((n, words), np.uint64)
        at = 0
        while at < n:
            part = self._parts[0]
            take = min(n - at, part.time.size)
            time[at : at + take] = part.time[:take]
            levels[at : at + take] = part.levels[:take]
            unknown[at : at + take] = part.unknown[:take]
            at += take
            if take == part.time.size:
                self._parts.pop(0)
            else:
                self._parts[0] = Rows(part.time[take:], part.levels[take:], part.unknown[take:])
        self._count -= n
        end = int(time[-1])
        ended = tuple(gap for gap in self._gaps if gap.end <= end)
        self._gaps = [gap for gap in self._gaps if gap.end > end]
        first, self._first_row = self._first_row, self._first_row + n
        return Capture(time, levels, unknown, self._tick_fs, ended, first)
