"""Pieces of a dump's body, put together in file order to whole rows."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.capture.columns import Gap, Note
from busledger.decoder.capture.row_memory import RowMemory
from busledger.decoder.capture.rows import LineFinder, Rows, no_rows
from busledger.decoder.capture.vcd_pieces import Buffer, Lexed, Piece, lex_piece
from busledger.decoder.capture.vcd_tables import Tables
from busledger.decoder.errors import CaptureError
from busledger.decoder.text import plain

__all__ = ["BodyReader"]

_WORKERS = 2
_STAMP = re.compile(rb"#(?=\d)0*(\d{0,30})\s")
TOKEN_LIMIT = 1 << 20

_BETWEEN = (
    "end_time", "_now", "_shown", "_begun", "_force", "_mode", "_open_section", "_carry", "_off_since", "_gaps",
    "_ended_early", "_long", "consumed",
)  # fmt: skip
_MESSAGES = {
    1: ("a change for the identifier {code!r}, which the header does not declare", "a declared identifier"),
    2: ("time runs backwards here: {token!r} after #{time}", "time stamps that never fall"),
    3: ("{token!r} is not a time stamp", "# and decimal digits"),
    4: ("the time {token!r} is too large", "at most 2^63 - 1 ticks"),
    5: ("{token!r} is not a value change", "a time stamp, a value change or a $keyword"),
    6: ("{token!r} is not a vector value", "digits 0 1 x z after the b"),
}


class BodyReader:
    """Turns pieces into rows, in order; the state between pieces lives here.

    Parameters
    ----------
    lines : finds the line of a byte, for messages
    notes : grows by what must be told about the file
    source_cut : asked at the end: did a packed source end too early
    codes : every identifier code that the header declares

    Attributes
    ----------
    consumed : the byte of the file behind the last piece whose rows were given; -1 before the first
    """

    def __init__(
        self,
        tables: Tables,
        where: str,
        tick_s: float,
        notes: list[Note],
        lines: LineFinder,
        source_cut: Callable[[], bool] = lambda: False,
        codes: Collection[bytes] = (),
    ) -> None:
        self.tables, self.where, self.tick_s, self.notes, self._lines = tables, where, tick_s, notes, lines
        self._source_cut, self._codes = source_cut, codes
        self._memory = RowMemory()
        self.end_time = 0
        self._now = np.zeros((2, tables.words), np.uint64)
        self._now[1] = tables.lines.selected
        self._shown: NDArray[np.uint64] | None = None  # the row written last
        self._begun = self._force = False
        self._mode, self._open_section = 0, False
        self._carry = b""
        self._off_since: int | None = None
        self._gaps: list[Gap] = []
        self._ended_early: CaptureError | None = None
        self._long: tuple[int, int] | None = None
        self.consumed = -1

    def state(self) -> dict[str, Any]:
        """What is known between two pieces, for ``resume`` of a reader with the same tables."""
        return {name: getattr(self, name) for name in _BETWEEN}

    def resume(self, state: Mapping[str, Any]) -> None:
        """Go on behind the piece after which ``state`` was taken; the next one must not be ``alone``."""
        for name in _BETWEEN:
            setattr(self, name, state[name])

    def rows(self, pieces: Iterator[Piece], spare: deque[Buffer], plain: bool = False) -> Iterator[Rows]:
        """Rows of each piece in turn; the next pieces are lexed in threads meanwhile.

        ``spare`` gets the buffers that are done with; ``plain``: a dump of one piece is lexed as ``lex_piece`` says.
        """
        waiting: deque[tuple[Piece, Future[Lexed] | None]] = deque()
        with ThreadPoolExecutor(_WORKERS, thread_name_prefix="capture-lexer") as pool:
            try:
                start = 0  # what stands before the first time stamp belongs to time 0
                for piece in pieces:
                    task = None
                    if piece.alone:
                        whole = plain and piece.last and start == 0
                        task = pool.submit(
                            lex_piece, piece.data, piece.stop, self.tables, 0, start, self._memory, whole
                        )
                    start = -1
                    waiting.append((piece, task))
                    if len(waiting) > _WORKERS:
                        done = waiting[0][0].data
                        yield self._next(waiting)
                        spare.append(done)
                while waiting:
                    done = waiting[0][0].data
                    yield self._next(waiting)
                    spare.append(done)
            finally:
                for _, task in waiting:
                    if task is not None:
                        task.cancel()

    def _next(self, waiting: deque[tuple[Piece, Future[Lexed] | None]]) -> Rows:
        piece, task = waiting.popleft()
        data, base, stop = piece.data, piece.offset, piece.stop
        self.consumed = base + stop
        if self._ended_early is not None:
            if bytes(memoryview(data)[:stop]).strip():
                raise self._ended_early
            return self._finish(no_rows(self.tables.words)) if piece.last else no_rows(self.tables.words)
        if task is None or self._carry or self._mode != 0:
            data = bytearray(self._carry) + memoryview(data)[:stop]
            base, stop = base - len(self._carry), len(data)
            lexed = lex_piece(data, stop, self.tables, self._mode, self.end_time, self._memory)
        else:
            lexed = task.result()
            first = _first_stamp(data, stop)
            if first is not None and first < self.end_time:
                lexed = self._blank(2, 0)
        rows = self._join(lexed, data, base, stop)
        return self._finish(self._with_tail(rows, base + stop)) if piece.last else rows

    def _with_tail(self, rows: Rows, end: int) -> Rows:
        """``rows``, and the last word of a file that ends without white space, where it can only be whole.

        A code is whole if no longer one begins with it. Of a stamp, as many digits as are there: cut or not,
        what it closes is complete, and the capture lasts at least as long.
        """
        if not self._carry or self._mode != 0 or self._source_cut() or not self._is_whole(self._carry):
            return rows
        data = bytearray(self._carry) + b"\n"
        self.notes.append(Note("no-line-end", "the file ends without a line end; its last word is taken as it stands"))
        more = self._join(
            lex_piece(data, len(data), self.tables, 0, self.end_time, self._memory),
            data,
            end - len(self._carry),
            len(data),
        )
        return Rows(
            np.concatenate((rows.time, more.time)),
            np.concatenate((rows.levels, more.levels)),
            np.concatenate((rows.unknown, more.unknown)),
            rows.gaps + more.gaps,
        )

    def _is_whole(self, tail: bytes) -> bool:
        words = tail.split()
        if self._open_section:
            return words == [b"$end"]
        if words[0][:1] == b"#":
            return words[0][1:].isdigit() and self.end_time <= int(words[0][1:]) < 1 << 63
        code = words[-1] if len(words) > 1 else words[0][1:]
        vector = words[0][:1].lower() in (b"b", b"r", b"s")
        if vector != (len(words) == 2) or not code:
            return False
        return sum(known.startswith(code) for known in self._codes) == 1 and code in self._codes

    def _join(self, lexed: Lexed, data: Buffer, base: int, stop: int) -> Rows:
        position = lexed.position
        if lexed.status == 2 and not bytes(memoryview(data)[position:stop]).split(maxsplit=1)[1:]:
            self._ended_early = self._defect(2, data, base, position, lexed.end_time)
            position = stop
        elif lexed.status:
            raise self._defect(lexed.status, data, base, position, lexed.end_time)
        self._carry = bytes(memoryview(data)[position:stop])
        self._lines.passed(data, position)
        if len(self._carry) > TOKEN_LIMIT:
            raise self._error(f"one word of more than {TOKEN_LIMIT >> 20} MB", data, base, position, "value changes")
        rows = self._patched(lexed)
        self._mode = lexed.mode
        if lexed.section >= 0:
            self._open_section = lexed.section == 1
        if lexed.long_count:
            count, at = self._long or (0, base + lexed.long_at)
            self._long = count + lexed.long_count, at
        return rows

    def _blank(self, status: int, position: int) -> Lexed:
        none = no_rows(self.tables.words)
        now = np.zeros((3, self.tables.words), np.uint64)
        rows = np.zeros(0, np.int64)
        return Lexed(
            status, position, none.time, none.levels, none.unknown, _room(self.tables.words), False, rows, none.levels,
            [], now, self.end_time, 0, -1, False, 0, 0,
        )  # fmt: skip

    def _patched(self, lexed: Lexed) -> Rows:
        """Put the levels before the piece under the bits it has not touched; drop rows that change nothing."""
        n = lexed.time.size
        before = self._now
        if not _covered(lexed, before[0] | before[1]):  # a short dump, whose first stamp has all lines, needs no kernel
            from busledger.decoder.capture.patch_kernel import lay_under

            if before[1].any() and not _covered(lexed, before[1]):
                lexed.writable()
            lay_under(lexed.levels, lexed.unknown, lexed.touch_row, lexed.touch_mask, before, np.empty_like(before))
        forced = {t for t, _ in lexed.gaps}
        opened = no_rows(self.tables.words)
        reopened = n > 0 and int(lexed.time[0]) == self.end_time
        if lexed.end_time > self.end_time and not reopened:
            opened = self._pending()
        elif self._force:
            forced.add(self.end_time)
        drop = self._without_change(lexed, forced)
        self._now = before & ~lexed.now[2] | lexed.now[:2]
        self._begun = self._begun or bool(lexed.now[2].any()) or bool(lexed.gaps)
        self._force = lexed.force or (self._force and n == 0 and lexed.end_time <= self.end_time)
        self.end_time = max(self.end_time, lexed.end_time)
        for when, kind in lexed.gaps:
            self._gap(when, kind == 1)
        joined = _joined(opened, lexed, drop)
        joined.gaps, self._gaps = self._gaps, []
        return joined

    def _pending(self) -> Rows:
        """The row of the time stamp that was still open, if it changes anything."""
        same = self._shown is not None and bool((self._shown == self._now).all())
        if not self._begun or (same and not self._force):
            return no_rows(self.tables.words)
        self._shown, self._force = self._now.copy(), False
        return Rows(np.array([self.end_time], np.int64), self._now[:1].copy(), self._now[1:].copy())

    def _without_change(self, lexed: Lexed, forced: set[int]) -> NDArray[np.int64]:
        """Rows where a line was first touched may hold no change: those that do not; at the times ``forced`` a row
        stands whatever it shows."""
        time, levels, unknown = lexed.time, lexed.levels, lexed.unknown
        row = lexed.touch_row
        row = row[(row > 0) & (row < time.size)]  # rising
        same = ((levels[row] == levels[row - 1]) & (unknown[row] == unknown[row - 1])).all(axis=1)
        found: NDArray[np.int64] = row[same]
        if time.size:
            shown = self._shown
            if shown is not None and (levels[0] == shown[0]).all() and (unknown[0] == shown[1]).all():
                found = np.concatenate((np.zeros(1, np.int64), found))
            self._shown = np.stack((levels[-1], unknown[-1]))
        if forced and found.size:
            found = found[~np.isin(time[found], np.array(sorted(forced), np.int64))]
        return found

    def _gap(self, when: int, off: bool) -> None:
        if off and self._off_since is None:
            self._off_since = when
        elif not off and self._off_since is not None:
            if when > self._off_since:
                self._gaps.append(Gap(self._off_since, when, "dump switched off ($dumpoff)"))
            self._off_since = None

    def _finish(self, rows: Rows) -> Rows:
        """The file has ended: the open time stamp counts, unless the end is cut."""
        cut = bool(self._carry) or self._mode != 0 or self._open_section or self._source_cut()
        last, closed = no_rows(self.tables.words), False
        if cut:
            closed = self._carry[:1] == b"#" and self._mode == 0  # a stamp begins: what came before it is complete
            left_out = "" if closed else ", whose changes are left out as incomplete"
            text = f"the file is cut at its end; decoded up to #{self.end_time}{left_out}"
            self.notes.append(Note("truncated", text, self.end_time * self.tick_s))
        if not cut or closed:
            last = self._pending()
        if self._ended_early is not None:
            text = f"{self._ended_early.what}; nothing follows it, so it is passed over"
            self.notes.append(Note("early-end", text, self.end_time * self.tick_s))
        if self._long is not None:
            text = (
                f"{self._long[0]} vector values are longer than declared (first at byte {self._long[1]}); low bits kept"
            )
            self.notes.append(Note("long-vector", text))
        if self._off_since is not None:
            self._gap(self.end_time, False)
        gaps, self._gaps = rows.gaps + self._gaps, []
        if not last.time.size:
            return Rows(rows.time, rows.levels, rows.unknown, gaps)
        return Rows(
            np.concatenate((rows.time, last.time)),
            np.concatenate((rows.levels, last.levels)),
            np.concatenate((rows.unknown, last.unknown)),
            gaps,
        )

    def _error(self, what: str, data: Buffer, base: int, position: int, expected: str) -> CaptureError:
        where = f"{self.where}, {self._lines.place(data, base, position)}"
        return CaptureError(what, where=where, expected=expected, hint="Nothing after this point was decoded.")

    def _defect(self, status: int, data: Buffer, base: int, position: int, time: int) -> CaptureError:
        words = bytes(data[position : position + 200]).split(maxsplit=2)
        token = words[0].decode("latin-1") if words else ""
        if status == 5 and position < len(data) and data[position] < 32:
            return self._error(f"a control byte 0x{data[position]:02x}", data, base, position, "text")
        code = token[1:]
        if token[:1].lower() in ("b", "r", "s") and len(words) > 1:
            code = words[1].decode("latin-1")
        what, expected = _MESSAGES[status]
        said = what.format(code=plain(code, 40), token=plain(token, 40), time=max(time, self.end_time))
        return self._error(said, data, base, position, expected)


def _room(words: int) -> Rows:
    """The room of a piece without rows."""
    return Rows(np.zeros(1, np.int64), np.zeros((1, words), np.uint64), np.zeros((1, words), np.uint64))


def _covered(lexed: Lexed, lines: NDArray[np.uint64]) -> bool:
    """Whether each row of the piece has touched all of ``lines``."""
    return len(lexed.touch_row) > 0 and lexed.touch_row[0] == 0 and not (lines & ~lexed.touch_mask[0]).any()


def _joined(opened: Rows, lexed: Lexed, drop: NDArray[np.int64]) -> Rows:
    """The row that stood open before the piece, if there is one, and those of the piece but for ``drop``; uncopied."""
    first, room = 1, lexed.room
    if opened.time.size:
        if opened.unknown.any():
            lexed.writable()
        first, room.time[0], room.levels[0] = 0, opened.time[0], opened.levels[0]
        if not lexed.known:
            room.unknown[0] = opened.unknown[0]
    columns = (room.time[first:], room.levels[first:], room.unknown[first:])
    if len(drop):
        columns = (
            np.delete(columns[0], drop + 1 - first),
            np.delete(columns[1], drop + 1 - first, 0),
            np.delete(columns[2], drop + 1 - first, 0),
        )
    return Rows(*columns)


def _first_stamp(data: Buffer, stop: int) -> int | None:
    """The time of a piece that begins with a complete stamp; None where the lexer will refuse it anyway."""
    found = _STAMP.match(data, 0, stop)
    return int(found[1] or 0) if found else None
