"""Finished rows on their way from a reader to blocks, and where in a file a byte lies."""

from __future__ import annotations

import mmap
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Capture, Gap
from busledger.decoder.capture.sources import ByteSource
from busledger.decoder.errors import CaptureError

__all__ = ["BlockCutter", "LineFinder", "Rows", "no_rows"]


@dataclass(slots=True)
class Rows:
    """Finished rows: time int64[n], levels and unknown uint64[n, words]; gaps that ended with them."""

    time: NDArray[np.int64]
    levels: NDArray[np.uint64]
    unknown: NDArray[np.uint64]
    gaps: list[Gap] = field(default_factory=list)


def no_rows(words: int) -> Rows:
    """Nothing, of the right shape."""
    return Rows(np.zeros(0, np.int64), np.zeros((0, words), np.uint64), np.zeros((0, words), np.uint64))


class BlockCutter:
    """Makes blocks of at most ``block_rows`` rows; a part that already is one goes on uncopied.

    One part is always kept back, so that a gap that ends with the file goes out with the last block.
    """

    def __init__(self, block_rows: int, tick_fs: int) -> None:
        self._size, self._tick_fs = block_rows, tick_fs
        self._parts: list[Rows] = []
        self._count = self._first_row = 0
        self._gaps: list[Gap] = []

    def add(self, rows: Rows) -> Iterator[Capture]:
        """Take rows; give every block that is ready."""
        self._gaps += rows.gaps
        if rows.time.size:
            self._parts.append(rows)
            self._count += rows.time.size
        while len(self._parts) > 1 or self._count > self._size:
            n = self._parts[0].time.size
            if n > self._size:  # in even parts, so that none is too short to go on by itself
                yield self._block(self._joined(-(-n // -(-n // self._size))), False)
            elif n >= self._size // 4:
                yield self._block(self._parts.pop(0), False)
            elif self._count > self._size:
                yield self._block(self._joined(self._size), False)
            else:
                break

    def rest(self) -> Iterator[Capture]:
        """The last block, with every gap not yet told."""
        while self._count:
            rows = self._joined(min(self._size, self._count))
            yield self._block(rows, self._count == rows.time.size)

    def _joined(self, n: int) -> Rows:
        """The first ``n`` rows, which go from what waits; uncopied where one part holds them."""
        first = self._parts[0]
        if first.time.size > n:
            self._parts[0] = Rows(first.time[n:], first.levels[n:], first.unknown[n:])
            return Rows(first.time[:n], first.levels[:n], first.unknown[:n])
        if first.time.size == n:
            return self._parts.pop(0)
        words = first.levels.shape[1]
        made = Rows(np.empty(n, np.int64), np.empty((n, words), np.uint64), np.empty((n, words), np.uint64))
        at = used = 0
        while at < n:
            part = self._parts[used]
            take = min(n - at, part.time.size)
            made.time[at : at + take] = part.time[:take]
            made.levels[at : at + take] = part.levels[:take]
            made.unknown[at : at + take] = part.unknown[:take]
            at += take
            if take == part.time.size:
                used += 1
            else:
                self._parts[used] = Rows(part.time[take:], part.levels[take:], part.unknown[take:])
        del self._parts[:used]
        return made

    def _block(self, rows: Rows, last: bool) -> Capture:
        n = rows.time.size
        end = int(rows.time[-1])
        ended = tuple(gap for gap in self._gaps if last or gap.end <= end)
        self._gaps = [gap for gap in self._gaps if not last and gap.end > end]
        self._count -= n
        first, self._first_row = self._first_row, self._first_row + n
        return Capture(rows.time, rows.levels, rows.unknown, self._tick_fs, ended, first)


class LineFinder:
    """Byte offset -> line number, for messages only.

    A file that can be opened again is counted through when an error happens; a
    pipe cannot, so its line ends are counted as they pass.
    """

    def __init__(self, reopen: Callable[[], ByteSource] | None, lines_before: int) -> None:
        self._reopen, self._lines = reopen, lines_before

    def passed(self, data: bytearray | mmap.mmap, stop: int) -> None:
        """``data[:stop]`` is done with."""
        if self._reopen is None:
            self._lines += _line_ends(data, stop)

    def place(self, data: bytearray | mmap.mmap, base: int, position: int) -> str:
        """``byte N, line M`` of ``data[position]``, where ``data`` begins at byte ``base`` and has not passed yet.

        The byte alone where the file cannot be opened again (it may have gone meanwhile).
        """
        byte = f"byte {base + position}"
        try:
            return f"{byte}, line {self._line(data, base, position)}"
        except CaptureError:
            return byte

    def _line(self, data: bytearray | mmap.mmap, base: int, position: int) -> int:
        if self._reopen is None:
            return self._lines + _line_ends(data, position) + 1
        source = self._reopen()
        buffer = bytearray(1 << 20)
        line, left = 1, base + position
        with memoryview(buffer) as view:
            while left > 0:
                got = source.readinto(view[: min(left, len(view))])
                if got == 0:
                    break
                line += buffer.count(b"\n", 0, got)
                left -= got
        source.close()
        return line


def _line_ends(data: bytearray | mmap.mmap, stop: int) -> int:
    """Line ends in ``data[:stop]``."""
    return bytes(memoryview(data)[:stop]).count(b"\n")
