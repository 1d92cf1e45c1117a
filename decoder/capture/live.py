"""A capture that is still being recorded: its rows as they come, and a place at which reading can be taken up again.

Like ``CaptureFile``, but it waits where nothing has come yet, gives what it has
after a moment, and knows at every block which bytes it no longer needs.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from busledger.decoder.capture.columns import Capture, Gap, Header, Note
from busledger.decoder.capture.csv_reader import CsvReader
from busledger.decoder.capture.file import refuse_what_is_none
from busledger.decoder.capture.raw import RawFormat, RawReader
from busledger.decoder.capture.rows import LineFinder, Rows
from busledger.decoder.capture.vcd_body import BodyReader
from busledger.decoder.capture.vcd_pieces import Buffer, Piece
from busledger.decoder.capture.vcd_reader import VcdReader, piece_size

__all__ = ["BLANK", "NOTHING_YET", "LiveCapture", "LivePlace", "LiveSource"]

NOTHING_YET = -1
_HEAD = 1 << 16
_PATIENCE_S = 0.5
"""What has come within this time is decoded, though it fills no piece."""
_FLUSHED = 3  # empty pieces that push everything through the reader's queue


class LiveSource(Protocol):
    """Bytes read forward, of which more may come; ``where`` names it in messages."""

    where: str

    def readinto(self, buffer: memoryview) -> int:
        """Bytes filled from the front; 0 at the end, ``NOTHING_YET`` after a short while in which nothing came."""

    def cut(self) -> bool:
        """Whether a packed source has ended too early."""


@dataclass
class LivePlace:
    """Where reading stands: plain values, for a pickle.

    ``offset``: bytes of the source that are done with; ``rows``: rows given so far; ``reader``: what the reader knows
    between two blocks, empty where it begins anew there. ``packing``: of the source whose bytes these are unpacked.
    """

    kind: str
    declarations: bytes
    offset: int = 0
    rows: int = 0
    end_time: int = 0
    gaps: list[Gap] = field(default_factory=list)
    reader: dict[str, Any] = field(default_factory=dict)
    packing: str = ""


class LiveCapture:
    """One capture as it comes.

    Parameters
    ----------
    source : at its first byte; with ``place``, at that place's ``offset``
    rate_hz, raw : as ``open_capture`` has them
    place : of an earlier reading of the same source, to go on there

    Attributes
    ----------
    header, notes, end_time : as of ``CaptureFile``

    Raises
    ------
    CaptureError
        no capture begins there.
    """

    def __init__(
        self,
        source: LiveSource,
        *,
        rate_hz: float | None = None,
        raw: RawFormat | None = None,
        place: LivePlace | None = None,
    ) -> None:
        self._source, self._place = source, place
        self._patient = _Patient(source)
        self._reader: VcdReader | CsvReader | RawReader
        if place is not None and place.kind == "vcd":
            self._reader = VcdReader(self._patient, place.declarations + b"\n")
        elif place is not None and place.kind == "csv":
            self._reader = CsvReader(self._patient, place.declarations, rate_hz, whole_head=True)
            anew = {"offset": place.offset, "done": False, "end_time": 0, "held": {}}
            self._reader.go_on(place.reader or anew)
        else:
            start = self._first_bytes(0 if raw is not None and place is not None else _HEAD)
            if raw is not None:
                self._reader = RawReader(self._patient, start, raw)
            elif start.lstrip(BLANK).startswith(b"$"):
                self._reader = VcdReader(self._patient, start)
            else:
                refuse_what_is_none(start, source.where)
                self._patient.source_may_wait = True
                self._reader = CsvReader(self._patient, start, rate_hz)
        self.notes: list[Note] = list(self._reader.notes)
        self.end_time = 0 if place is None else place.end_time
        self._row = 0 if place is None else place.rows
        self._gaps: list[Gap] = [] if place is None else list(place.gaps)
        self._body: BodyReader | None = None

    def _first_bytes(self, most: int) -> bytes:
        head, got, stop = bytearray(most), 0, time.monotonic() + _PATIENCE_S
        self._patient.source_may_wait = True
        with memoryview(head) as view:
            while got < most and (not got or time.monotonic() < stop or not bytes(view[:got]).strip(BLANK)):
                more = self._patient.readinto(view[got:])
                if more == 0:
                    break
                got += max(more, 0)
        self._patient.source_may_wait = False
        return bytes(head[:got])

    @property
    def header(self) -> Header:
        """Signals and time unit."""
        return self._reader.header

    def blocks(self, select: Sequence[int]) -> Iterator[Capture]:
        """Rows as they come, once; where blocks part has no meaning. A block without rows: nothing more for now."""
        lines = LineFinder(None, 0)
        reader = self._reader
        notes: list[Note] = []
        if isinstance(reader, VcdReader):
            rows = self._vcd_rows(reader, select, notes, lines)
        elif isinstance(reader, RawReader):
            if self._place is not None:
                reader.samples, reader.held = self._place.reader["samples"], self._place.reader["held"]
            rows = reader.rows(select, notes, lines, None)
            self._patient.source_may_wait = True
        else:
            self._patient.source_may_wait = True
            rows = reader.rows(select, notes, lines, None)
        for part in rows:
            self.end_time = max(self.end_time, reader.end_time)
            yield self._block(part)
        self.notes += notes

    def place(self) -> LivePlace:
        """Where reading stands after the block given last."""
        reader = self._reader
        place = LivePlace("csv", b"", 0, self._row, self.end_time, list(self._gaps))
        if isinstance(reader, CsvReader):
            place.declarations, place.offset, place.reader = reader.declarations, reader.offset, reader.state()
        if isinstance(reader, VcdReader):
            place.kind, place.declarations = "vcd", reader.declarations
            place.offset = reader.begun[1]
            if self._body is not None and self._body.consumed >= 0:
                place.offset, place.reader = self._body.consumed, self._body.state()
        elif isinstance(reader, RawReader):
            place.kind, place.reader = "raw", {"samples": reader.samples, "held": reader.held}
            place.offset = reader.samples * reader.step
        return place

    def _vcd_rows(
        self, reader: VcdReader, select: Sequence[int], notes: list[Note], lines: LineFinder
    ) -> Iterator[Rows]:
        self._body = body = reader.body_reader(select, notes, lines)
        head, offset = reader.begun
        if self._place is not None:
            head, offset = b"", self._place.offset
            if self._place.reader:
                body.resume(self._place.reader)
        spare: deque[Buffer] = deque()
        return body.rows(_live_pieces(self._source, head, offset, piece_size(body), body.consumed < 0, spare), spare)

    def _block(self, rows: Rows) -> Capture:
        """A gap goes out with the first block that reaches its end."""
        self._gaps += rows.gaps
        first, n = self._row, rows.time.size
        self._row += n
        end = int(rows.time[-1]) if n else -1
        ended = tuple(gap for gap in self._gaps if gap.end <= end)
        self._gaps = [gap for gap in self._gaps if gap.end > end]
        return Capture(rows.time, rows.levels, rows.unknown, self.header.tick_fs, ended, first)


BLANK = b"\xef\xbb\xbf \t\r\n"


class _Patient:
    """A live source as an ordinary one, which waits for its bytes (unless ``source_may_wait``)."""

    size: int | None = None
    again = False

    def __init__(self, source: LiveSource) -> None:
        self._source, self.where = source, source.where
        self.source_may_wait = False

    def readinto(self, buffer: memoryview) -> int:
        while (got := self._source.readinto(buffer)) == NOTHING_YET and not self.source_may_wait:
            continue
        return got

    def consumed(self) -> int:
        return 0

    def cut(self) -> bool:
        return self._source.cut()

    def close(self) -> None:
        return None


def _live_pieces(
    source: LiveSource, head: bytes, offset: int, size: int, alone: bool, spare: deque[Buffer]
) -> Iterator[Piece]:
    """As ``cut_pieces``, but what has come is cut off after a moment, and empty pieces push it through."""
    left = head
    room = size + (1 << 16)
    while True:
        data = spare.pop() if spare else bytearray(max(room, len(left) + 1))
        if len(data) <= len(left):
            data = bytearray(len(left) + room)
        data[: len(left)] = left
        stop, ended, idle, begun = len(left), False, False, time.monotonic()
        with memoryview(data) as view:
            while stop < len(data) and not ended and not idle:
                got = source.readinto(view[stop:])
                ended = got == 0
                stop += max(got, 0)
                idle = got == NOTHING_YET or (stop < len(data) and time.monotonic() - begun > _PATIENCE_S)
        if ended:
            yield Piece(data, stop, offset, alone, True)
            return
        cut = data.rfind(b"\n#", 1, stop) if idle else data.rfind(b"\n#", max(1, stop - (1 << 16)), stop)
        if cut < 0 and not idle:
            cut = data.rfind(b" #", max(1, stop - (1 << 16)), stop)
        end = cut + 1 if cut > 0 else 0 if idle else stop
        left = bytes(data[end:stop])
        if end:
            yield Piece(data, end, offset, alone, False)
            alone = cut > 0
            offset += end
        if idle:
            for _ in range(_FLUSHED):
                yield Piece(bytearray(), 0, offset, False, False)
            alone = False if not end else alone
