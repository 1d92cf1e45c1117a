"""A CSV of samples as a whole: header row first, then rows where a level changes.

The first line that is no remark names the channels; a column named ``time`` (``time_us``,
``Time [s]``, ``t`` in the first place, the same in other languages …) gives the time of each line, else the
caller gives a rate. Times before 0 (a pre-trigger) are counted from the first line on. Levels are 0 and 1; x, z,
?, - and an empty cell are unknown. A column named ``data[7:0]`` holds numbers, in the base that its first cells show.
"""

from __future__ import annotations

import contextlib
import csv
import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.arrays import CsvForm, Targets
from busledger.decoder.capture.columns import Header, Note
from busledger.decoder.capture.csv_bases import BASE_NAMES, HEX, base_of
from busledger.decoder.capture.csv_header import CsvHeader, find_header, parse_header
from busledger.decoder.capture.rows import LineFinder, Rows, no_rows
from busledger.decoder.capture.sources import ByteSource, filled
from busledger.decoder.durations import format_duration
from busledger.decoder.errors import CaptureError, UsageError
from busledger.decoder.text import plain

__all__ = ["CsvReader"]

TICK_FS = 1000
_PIECE = 1 << 21
_LINE_LIMIT = 1 << 20
_ROWS = 1 << 16
_LOOK = 1 << 16  # bytes of data from which a column's base is told
_MESSAGES = {
    2: ("{cell!r} is not a time", "a decimal number, not NaN or infinite"),
    3: ("time runs backwards at {cell!r}", "times that never fall"),
    4: ("the time {cell!r} is too large", "at most 2^63 - 1 ps, 106 days"),
    5: (
        "{cell!r} is not a level{column}",
        "0, 1, or x, z, - or nothing for unknown; a number in a column like data[7:0]",
    ),
    6: ("this line has fewer fields than the header", "{columns} fields"),
    7: ("this line has more fields than the header", "{columns} fields"),
    8: ("{cell!r} does not fit{column}", "a number of no more bits than the column's name says"),
}


class CsvReader:
    """Reads the header row at once; ``rows`` reads the rest of the same source.

    Parameters
    ----------
    whole_head : ``head`` is the ``declarations`` of an earlier reading; the source is where ``go_on`` says

    Attributes
    ----------
    header : signals; the tick is 1 ps
    notes : in which base numbers are read
    end_time : ticks of the last line so far
    header_lines : line ends up to the header row's
    declarations : the header row, with what stands before it and the lines that tell the columns' bases
    """

    def __init__(self, source: ByteSource, head: bytes, rate_hz: float | None, *, whole_head: bool = False) -> None:
        self._source = source
        self.header_lines = 0
        data = bytearray(head)
        buffer = bytearray(1 << 16)
        found, ended = find_header(data), whole_head
        with memoryview(buffer) as view:
            while not ended and (len(data) < _LINE_LIMIT if found is None else len(data) < found[1] + _LOOK):
                got = source.readinto(view)
                ended = got == 0
                data += buffer[:got]
                found = found or find_header(data)
        if found is None:
            raise CaptureError(
                "this is neither a value change dump nor a CSV: no line of samples follows the first line",
                where=source.where,
                expected="$timescale, $var … or a header row of channel names and lines of levels",
            )
        begin, end = found
        columns = parse_header(data[begin:end].decode("utf-8", "replace").rstrip("\r"), source.where)
        self._columns: CsvHeader = _with_bases(columns, bytes(data[end + 1 : end + 1 + _LOOK]))
        self._sample_ticks = self._rate(rate_hz)
        self.header = Header(self._columns.signals, TICK_FS)
        self.notes: tuple[Note, ...] = _base_notes(self._columns)
        self.end_time = 0
        self._at = end + 1
        self._rest = data[end + 1 :]
        self.declarations = bytes(data[: end + 1 + _LOOK])
        self._shown = bytes(data[end + 1 : end + 1 + _LOOK])
        self._state: dict[str, Any] = {}
        self._done = False
        self.header_lines = data.count(b"\n", 0, end + 1)

    def _rate(self, rate_hz: float | None) -> float:
        if rate_hz is not None and not (math.isfinite(rate_hz) and 0 < rate_hz <= 1e12):
            raise UsageError(f"a sample rate of {rate_hz} Hz", expected="above 0 and at most 1e12")
        if self._columns.power is not None:
            if rate_hz is not None:
                raise UsageError(
                    "a sample rate is given, but the capture has a time column",
                    where=self._source.where,
                    hint="Leave the rate out.",
                )
            return 0.0
        if rate_hz is None:
            raise CaptureError(
                "no column is a time",
                where=f"{self._source.where}, line 1",
                expected="a column named time, time_us or the like",
                hint="Give the sample rate with --rate HZ.",
            )
        return 1e15 / TICK_FS / rate_hz

    @property
    def offset(self) -> int:
        """Bytes of the source that the rows given so far are made of."""
        return self._at

    def state(self) -> dict[str, Any]:
        """What reading on at ``offset`` needs, for ``go_on``."""
        held = {name: value.copy() for name, value in self._state.items()}
        return {"offset": self._at, "done": self._done, "end_time": self.end_time, "held": held}

    def go_on(self, state: Mapping[str, Any]) -> None:
        """The source is at the ``offset`` that ``state`` tells: ``rows`` gives what comes after it."""
        self._rest, self._at, self._done = bytearray(), state["offset"], state["done"]
        self.end_time, self._state = state["end_time"], dict(state["held"])

    def rows(
        self, select: Sequence[int], notes: list[Note], lines: LineFinder, piece_bytes: int | None
    ) -> Iterator[Rows]:
        """Rows of the selected signals, once; ``notes`` grows. A source that has nothing yet gives empty rows."""
        from busledger.decoder.capture import csv_kernel as k

        words = max(1, (len(select) + 63) // 64)
        columns = _targets(self._columns, select)
        held = self._state or _unread(words, len(select))
        self._state = held
        state, now, last, fresh = held["state"], held["now"], held["last"], np.zeros((2, words), np.uint64)
        delimiter, power = ord(self._columns.delimiter), self._columns.power or 0
        form = CsvForm(delimiter, power, self._origin(notes), self._sample_ticks)
        data, base, ended = self._rest, self._at, self._done
        while not ended:
            data, ended, idle = filled(self._source, data, piece_bytes or _PIECE)
            stop, mended = len(data), False
            if ended and data and data[-1] != 10 and self._columns.columns[-1].kind == k.LEVEL:
                data += b"\n"  # the last line is read on trial: a level is whole or missing
                mended, stop = True, len(data)
            at, view = 0, np.frombuffer(data, np.uint8)
            while True:
                out = (
                    np.empty(_ROWS, np.int64),
                    np.empty((_ROWS, words), np.uint64),
                    np.empty((_ROWS, words), np.uint64),
                )
                state[k.ROWS] = 0
                status, at = k.read_samples(view, at, stop, state, form, columns, now, fresh, last, out)
                n = int(state[k.ROWS])
                self.end_time, self._at = max(0, int(state[k.TIME])), base + int(at)
                if n:
                    yield Rows(out[0][:n], out[1][:n], out[2][:n])
                if status != k.FULL:
                    break
            if status != k.OK:
                if not (mended and b"\n" not in memoryview(data)[int(at) : stop - 1].tobytes()):
                    raise self._defect(int(status), data, base, int(at), lines)
                self._tell_cut(notes)
            elif ended and (int(at) < stop or self._source.cut()):
                self._tell_cut(notes)
            lines.passed(data, int(at))
            base, rest = base + int(at), bytes(view[int(at) : stop])
            del view
            data = bytearray(rest)
            if len(data) > _LINE_LIMIT and not ended:
                raise CaptureError(
                    f"a line of more than {_LINE_LIMIT >> 20} MB", where=f"{self._source.where}, byte {base}"
                )
            if idle and not ended:
                yield no_rows(words)
        if self._done:
            return
        self._done = True
        out = (np.empty(1, np.int64), np.empty((1, words), np.uint64), np.empty((1, words), np.uint64))
        state[k.ROWS] = 0
        k.write_open_row(state, now, last, *out)
        n = int(state[k.ROWS])
        yield Rows(out[0][:n], out[1][:n], out[2][:n])

    def _origin(self, notes: list[Note]) -> int:
        """Ticks of the first line where they lie before 0, else 0."""
        from busledger.decoder.capture import csv_kernel as k

        start = io.StringIO(self._shown.decode("utf-8", "replace"))
        lines = csv.reader(start, delimiter=self._columns.delimiter)
        place = next((c for c, column in enumerate(self._columns.columns) if column.kind == k.TIME_COLUMN), None)
        with contextlib.suppress(csv.Error):
            first = next((line for line in lines if line), None)
            if place is not None and first is not None and place < len(first):
                text = first[place].strip().encode()
                status, ticks = k.decimal_ticks(np.frombuffer(text, np.uint8), 0, len(text), self._columns.power or 0)
                if status == k.OK and ticks < 0:
                    shown = format_duration(-int(ticks) * TICK_FS)
                    notes.append(Note("pre-trigger", f"the times begin {shown} before 0; they are counted from there"))
                    return int(ticks)
        return 0

    def _tell_cut(self, notes: list[Note]) -> None:
        text = "the file is cut in its last line, which is left out"
        notes.append(Note("truncated", text, self.end_time * TICK_FS * 1e-15))

    def _defect(self, status: int, data: bytearray, base: int, position: int, lines: LineFinder) -> CaptureError:
        raw = bytes(data[position : position + 80]).split(b"\n")[0].split(self._columns.delimiter.encode())[0]
        what, expected = _MESSAGES[status]
        line = data.rfind(b"\n", 0, position) + 1
        place = min(data.count(self._columns.delimiter.encode(), line, position), len(self._columns.columns) - 1)
        column = self._columns.columns[place]
        named = f" in {plain(column.name, 40)}, read as {BASE_NAMES[column.kind]}" if column.name else ""
        shown = plain(raw.decode("utf-8", "replace").strip(), 40)
        where = f"{self._source.where}, {lines.place(data, base, position)}"
        return CaptureError(
            what.format(cell=shown, column=named),
            where=where,
            expected=expected.format(columns=len(self._columns.columns)),
            hint="Nothing after this point was decoded.",
        )


def _unread(words: int, lines: int) -> dict[str, NDArray[Any]]:
    """What the kernel knows before the first line: no level."""
    from busledger.decoder.capture import csv_kernel as k

    state = np.zeros(k.STATE_SIZE, np.int64)
    state[k.TIME] = -1
    now = np.zeros((2, words), np.uint64)
    for w in range(words):
        now[1, w] = (1 << min(64, max(0, lines - 64 * w))) - 1
    return {"state": state, "now": now, "last": now.copy()}


def _with_bases(header: CsvHeader, start: bytes) -> CsvHeader:
    """``header`` with the base of each column of numbers, as the file's ``start`` shows it."""
    text = start[: start.rfind(b"\n") + 1] or start
    try:
        lines = list(csv.reader(io.StringIO(text.decode("utf-8", "replace")), delimiter=header.delimiter))
    except csv.Error:
        lines = []
    columns = tuple(
        replace(column, kind=base_of([line[c] for line in lines if c < len(line)], len(column.signals)))
        if column.kind == HEX
        else column
        for c, column in enumerate(header.columns)
    )
    return replace(header, columns=columns)


def _base_notes(header: CsvHeader) -> tuple[Note, ...]:
    """Which columns hold numbers, and of which base: a misread base is a wrong answer in silence."""
    said = []
    for kind, base in BASE_NAMES.items():
        names = [plain(column.name, 40) for column in header.columns if column.kind == kind and column.name]
        more = f" and {len(names) - 8} more" if len(names) > 8 else ""
        if names:
            said.append(f"{', '.join(names[:8])}{more} as {base}")
    return (Note("number-base", f"numbers are read: {'; '.join(said)}"),) if said else ()


def _targets(header: CsvHeader, select: Sequence[int]) -> Targets:
    """Where the digits of each column go."""
    places: dict[int, list[int]] = {}
    for k, index in enumerate(select):
        places.setdefault(index, []).append(k)
    first, bit, word, mask = [0], [], [], []
    for column in header.columns:
        for i, index in enumerate(column.signals):
            for k in places.get(index, ()):
                bit.append(i)
                word.append(k // 64)
                mask.append(1 << (k % 64))
        first.append(len(bit))
    return Targets(
        np.array([column.kind for column in header.columns], np.int64),
        np.array([len(column.signals) for column in header.columns], np.int64),
        np.array(first, np.int64),
        np.array(bit, np.int64),
        np.array(word, np.int64),
        np.array(mask, np.uint64),
    )
