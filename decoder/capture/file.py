"""Opening a capture: what kind it is, its header, its rows in blocks."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import IO

import numpy as np

from busledger.decoder.capture.columns import Capture, Header, Note
from busledger.decoder.capture.csv_reader import CsvReader
from busledger.decoder.capture.foreign_text import Rewritten, Step, rewriting
from busledger.decoder.capture.raw import RawFormat, RawReader
from busledger.decoder.capture.rows import BlockCutter, LineFinder
from busledger.decoder.capture.sources import ByteSource, open_source, shown_path
from busledger.decoder.capture.vcd_reader import VcdReader
from busledger.decoder.durations import format_duration
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.progress import Progress, silent

__all__ = ["CaptureFile", "late_start", "open_capture", "refuse_what_is_none"]

_HEAD = 1 << 16
_BEFORE_A_DUMP = b"\xef\xbb\xbf\xff\xfe\0 \t\r\n"  # marks of its coding, zeros of UTF-16, white space
_PACKED = re.compile(r"\.(gz|bz2|xz|zst)$", re.IGNORECASE)
_TOLD_FS = 10**9  # a first stamp from a microsecond on is told: who reads times beside the analyser's would stumble
_TOML_LINE = re.compile(rb"\[\[?[\w.-]+\]\]?\s*(#.*)?$|[\w.-]+\s*=")


def open_capture(
    path: str | Path,
    *,
    rate_hz: float | None = None,
    progress: Progress = silent,
    stdin: IO[bytes] | None = None,
    raw: RawFormat | None = None,
) -> CaptureFile:
    """Open a capture and read its header.

    Parameters
    ----------
    path : a VCD or a CSV of samples, plain or packed (.gz .bz2 .xz .zst, told by content); ``-`` = standard input
    rate_hz : samples a second, for a CSV without a time column
    progress : called every few megabytes
    stdin : binary stream read in place of ``sys.stdin.buffer``
    raw : the file holds samples of this form and nothing else; it is unpacked where its name says that it is packed

    Raises CaptureError: unreadable, empty, binary, or a header against the standard.
    """
    return CaptureFile(str(path), rate_hz, progress, stdin, raw)


class CaptureFile:
    """A capture whose header has been read; ``blocks`` reads its levels.

    Attributes
    ----------
    path : the path as given
    header : signals and time unit
    notes : what must be told about the file; complete once the blocks are read
    end_time : ticks of the last time stamp read so far, as the file gives it
    origin : the stamp of the first row where times are counted from it (``from_start``), else 0
    """

    def __init__(
        self,
        path: str,
        rate_hz: float | None,
        progress: Progress,
        stdin: IO[bytes] | None,
        raw: RawFormat | None = None,
    ) -> None:
        self.path, self._rate_hz, self._progress, self._stdin, self._raw = path, rate_hz, progress, stdin, raw
        self.where = shown_path(path)
        self._rewriting: Callable[[], list[Step]] | None = None
        self.notes: list[Note] = []
        self.end_time = 0
        self.origin = 0
        self.piece_bytes: int | None = None
        self._source: ByteSource | None = self._opened()
        try:
            self._reader = self._read_header(self._source)
        except BaseException:
            self.close()
            raise
        self.notes += self._reader.notes
        self._used = False

    @property
    def header(self) -> Header:
        """Signals and time unit."""
        return self._reader.header

    def blocks(
        self, select: Sequence[int], *, block_rows: int = 1 << 18, from_start: bool = False
    ) -> Iterator[Capture]:
        """Rows in blocks of at most ``block_rows``; where blocks part has no meaning.

        Times are the file's stamps; with ``from_start`` the first row is at 0, whatever its stamp is.

        ``select[k]`` is the index in ``header.signals`` that becomes bit k; -1 is a
        line that is never known. A second call opens the file again; standard
        input cannot be, and raises CaptureError.
        """
        if block_rows < 1:
            raise UsageError(f"a block of {block_rows} rows", expected="at least 1")
        for index in select:
            if not -1 <= index < len(self.header.signals):
                raise UsageError(f"no signal {index}", expected=f"-1 to {len(self.header.signals) - 1}")
        blocks = self._blocks(list(select), block_rows)
        return self._from_start(blocks) if from_start else blocks

    def _from_start(self, blocks: Iterator[Capture]) -> Iterator[Capture]:
        """The same rows with the first of them at 0; the notes' times too, once all is read."""
        tick_fs, first = self.header.tick_fs, next(blocks, None)
        if first is None:
            return
        self.origin = origin = int(first.time[0]) if len(first) else 0
        if not origin:
            yield first
            yield from blocks
            return
        if (note := late_start(origin, tick_fs)) is not None and note not in self.notes:
            self.notes.append(note)
        for block in itertools.chain([first], blocks):
            gaps = tuple(replace(gap, start=gap.start - origin, end=gap.end - origin) for gap in block.gaps)
            time = block.time  # nobody else holds these rows: fresh memory for every block costs more than the sum
            yield replace(block, time=np.subtract(time, origin, out=time if time.flags.writeable else None), gaps=gaps)
        shift = origin * tick_fs * 1e-15
        self.notes = [n if n.time_s is None else replace(n, time_s=n.time_s - shift) for n in self.notes]

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

    def _opened(self) -> ByteSource:
        return open_source(self.path, self._stdin, as_is=self._raw is not None and not _PACKED.search(self.path))

    def _opened_plain(self) -> ByteSource:
        """As ``_opened``, as the readers see it: what their places count."""
        source = self._opened()
        return source if self._rewriting is None else Rewritten(source, b"", self._rewriting())

    def _read_header(self, source: ByteSource) -> VcdReader | CsvReader | RawReader:
        """The reader for what the first bytes show, or the caller says."""
        start = _taken(source)
        if self._raw is not None and start:
            return RawReader(source, start, self._raw)
        self._rewriting = rewriting(start)
        if self._rewriting is not None:
            source = Rewritten(source, start, self._rewriting())
            start = _taken(source)
        if start.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"$"):
            return VcdReader(source, start)
        refuse_what_is_none(start, self.where)
        return CsvReader(source, start, self._rate_hz)

    def _reopen(self) -> None:
        if self._used or self._source is None:
            if self.path == "-":
                raise CaptureError("standard input can be read only once", where=self.where, hint="Save it to a file.")
            self.close()
            self._source = self._opened()
            self._reader = self._read_header(self._source)
        self._used = True

    def _blocks(self, select: list[int], block_rows: int) -> Iterator[Capture]:
        self._reopen()
        source, reader = self._source, self._reader
        assert source is not None
        reopen = self._opened_plain if source.again else None
        lines = LineFinder(reopen, reader.header_lines)
        cutter = BlockCutter(block_rows, self.header.tick_fs)
        notes: list[Note] = []
        for rows in reader.rows(select, notes, lines, self.piece_bytes):
            self.end_time = reader.end_time
            self._progress("reading", source.consumed(), source.size, "bytes")
            yield from cutter.add(rows)
        yield from cutter.rest()
        self.notes += [note for note in notes if note not in self.notes]


def _taken(source: ByteSource) -> bytes:
    """The first bytes of a source: as many as come at once, and on until they are a dump's or enough to tell a table's
    form."""
    head = bytearray(_HEAD)
    with memoryview(head) as view:
        got = source.readinto(view)
        while 0 < got < len(head) and not bytes(view[:got]).lstrip(_BEFORE_A_DUMP).startswith(b"$"):
            more = source.readinto(view[got:])
            if more == 0:
                break
            got += more
    return bytes(head[:got])


def refuse_what_is_none(start: bytes, where: str) -> None:
    """Raise CaptureError where a file that begins with ``start``, and is no VCD, cannot be a CSV either."""
    if not start.strip(b"\xef\xbb\xbf \t\r\n"):
        raise CaptureError("the file is empty", where=where, hint="Record it again.")
    _refuse_binary(start, where)
    _refuse_toml(start, where)


def _refuse_binary(start: bytes, where: str) -> None:
    if start.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise CaptureError("this is UTF-16 text", where=where, expected="UTF-8 or ASCII", hint="Save it as UTF-8.")
    controls = sum(1 for byte in start[:4096] if byte < 32 and byte not in b"\t\n\v\f\r")
    if start.startswith(b"\x89PNG") or b"\0" in start[:4096] or controls * 20 > min(len(start), 4096):
        raise CaptureError(
            "this is not a capture: it holds binary data",
            where=where,
            expected="a value change dump (VCD) or a CSV of samples, plain or packed by gzip, bzip2, xz or zstd",
            hint="Export the recording as VCD.",
        )


def _refuse_toml(start: bytes, where: str) -> None:
    """A board file given where the capture belongs: its first line that is no comment is a table or a key."""
    lines = (line.strip() for line in start.lstrip(b"\xef\xbb\xbf").splitlines())
    first = next((line for line in lines if line and not line.startswith(b"#")), b"")
    if _TOML_LINE.match(first):
        raise CaptureError(
            "this looks like a board file or other TOML, not a capture",
            where=where,
            expected="a value change dump (VCD) or a CSV of samples",
            hint="Name the recording here, and the board file after --board.",
        )


def late_start(origin: int, tick_fs: int) -> Note | None:
    """What is told of a capture whose first stamp is ``origin`` ticks, where times are counted from there."""
    if origin * tick_fs < _TOLD_FS:
        return None
    return Note("late-start", f"the first stamp is {format_duration(origin * tick_fs)}; times are counted from there")
