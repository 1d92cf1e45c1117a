"""A value change dump as a whole: header first, then rows."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from busledger.decoder.capture.columns import Header, Note
from busledger.decoder.capture.rows import LineFinder, Rows
from busledger.decoder.capture.sources import ByteSource
from busledger.decoder.capture.vcd_body import BodyReader
from busledger.decoder.capture.vcd_header import read_declarations
from busledger.decoder.capture.vcd_pieces import PIECE_BYTES, Buffer, cut_pieces
from busledger.decoder.capture.vcd_scan import Scan
from busledger.decoder.capture.vcd_tables import build_tables

__all__ = ["VcdReader", "piece_size"]

_READ = 1 << 16
# Buffers of pieces done with: those of one capture serve the next one of this process.
_SPARE: deque[Buffer] = deque(maxlen=4)


class VcdReader:
    """Reads the header at once; ``rows`` reads the rest of the same source.

    Attributes
    ----------
    header, notes : what the declarations say
    end_time : ticks of the last time stamp so far
    header_lines : line ends before the body
    """

    def __init__(self, source: ByteSource, head: bytes) -> None:
        scan = Scan(source.where)
        scan.feed(head)
        buffer = bytearray(_READ)
        with memoryview(buffer) as view:
            while scan.body_at is None:
                got = source.readinto(view)
                if got == 0:
                    scan.finish()
                scan.feed(bytes(view[:got]))
        self._declared = read_declarations(scan)
        self.header: Header = self._declared.header
        self.notes: tuple[Note, ...] = self._declared.notes
        self._body = bytes(memoryview(scan.data)[scan.body_at :])
        self._head = bytes(memoryview(scan.data)[: scan.body_at])
        self.header_lines = scan.data.count(b"\n", 0, scan.body_at)
        self._source = source
        self._reader: BodyReader | None = None

    @property
    def end_time(self) -> int:
        """Ticks of the last time stamp so far."""
        return self._reader.end_time if self._reader is not None else 0

    def rows(
        self, select: Sequence[int], notes: list[Note], lines: LineFinder, piece_bytes: int | None
    ) -> Iterator[Rows]:
        """Rows of the selected signals, once; ``notes`` grows."""
        reader = self.body_reader(select, notes, lines)
        size = piece_bytes or piece_size(reader)
        pieces = cut_pieces(self._source, self._body, self._declared.body_at, size, _SPARE)
        return reader.rows(pieces, _SPARE, plain=piece_bytes is None)

    def body_reader(self, select: Sequence[int], notes: list[Note], lines: LineFinder) -> BodyReader:
        """What turns pieces of the body into rows of the selected signals."""
        tables = build_tables(self._declared.variables, select)
        codes = {variable.code for variable in self._declared.variables}
        self._reader = BodyReader(tables, self._source.where, self.header.tick_s, notes, lines, self._source.cut, codes)
        return self._reader

    @property
    def declarations(self) -> bytes:
        """The bytes of the header."""
        return self._head

    @property
    def begun(self) -> tuple[bytes, int]:
        """Bytes of the body that were read with the header, and the byte of the file at which they lie."""
        return self._body, self._declared.body_at


def piece_size(reader: BodyReader) -> int:
    """Bytes that are read at once: rows of many lines are wider."""
    words = reader.tables.words
    return max(1 << 16, min(PIECE_BYTES // min(words, 2), 2 * PIECE_BYTES // words))
