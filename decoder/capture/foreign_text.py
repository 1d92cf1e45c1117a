"""Captures as other systems write text: UTF-16, lines that end with CR alone, tables whose fields blanks part.

What the first bytes show beyond doubt is read as the plain form of it (UTF-8, LF, tabs); the readers know no other.
Anything less plain is left as it is, so that the readers refuse it with their own message.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable

from busledger.decoder.capture.csv_header import is_comment
from busledger.decoder.capture.sources import ByteSource

__all__ = ["Rewritten", "Step", "rewriting"]

Step = Callable[[bytes, bool], bytes]
"""The next bytes, and whether they are the last: what they become, as far as that is known."""

_PIECE = 1 << 20
_LONGEST = 1 << 20  # of a line that is waited for; what is longer is handed on as it is
_LOOKED_AT = 64  # bytes in which every other one is zero: UTF-16 without a mark
_LINES = 20  # of a table that must have as many fields as its header row
_MARK = re.compile(rb'[\s"]*(?:#|;|//|%)*\s*')
_UNIT = re.compile(rb"[\[(][^\])]*[\])]")
_NUMBER = re.compile(rb"[-+]?\d+(?:[.,]\d*)?(?:[eE][-+]?\d+)?")


def rewriting(start: bytes) -> Callable[[], list[Step]] | None:
    """A maker of the steps that turn a file that begins with ``start`` into a plain one; None where it is plain."""
    made: list[Callable[[], Step]] = []
    coding = _coding(start)
    if coding is not None:
        made.append(lambda: _decoded(coding))
        start = _decoded(coding)(start, False)
    begin = start.removeprefix(b"\xef\xbb\xbf")
    if not begin.lstrip().startswith(b"$"):  # a dump takes any white space for any other
        if b"\r" in start[:-1] and b"\n" not in start:
            made.append(lambda: lambda data, last: data.replace(b"\r", b"\n"))
            begin = begin.replace(b"\r", b"\n")
        if _parted_by_blanks(begin):
            made.append(_Tabs)
    return (lambda: [make() for make in made]) if made else None


class Rewritten:
    """A ``ByteSource`` whose bytes have gone through steps; ``head`` are those already taken from ``source``."""

    def __init__(self, source: ByteSource, head: bytes, steps: list[Step]) -> None:
        self.where, self.size, self.again = source.where, source.size, source.again
        self._source, self._steps = source, steps
        self._ready, self._at, self._ended = self._through(head, False), 0, False

    def _through(self, data: bytes, last: bool) -> bytes:
        for step in self._steps:
            data = step(data, last)
        return data

    def readinto(self, buffer: memoryview) -> int:
        """Fill from the front; 0 only at the end, below 0 where a live source has nothing yet."""
        while self._at == len(self._ready) and not self._ended:
            taken = bytearray(_PIECE)
            with memoryview(taken) as view:
                got = self._source.readinto(view)
            if got < 0:
                return got
            self._ended = got == 0
            self._ready, self._at = self._through(bytes(taken[:got]), self._ended), 0
        count = min(len(buffer), len(self._ready) - self._at)
        buffer[:count] = self._ready[self._at : self._at + count]
        self._at += count
        return count

    def consumed(self) -> int:
        """Bytes taken from the disk or pipe."""
        return self._source.consumed()

    def cut(self) -> bool:
        """Whether a packed file ended too early."""
        return self._source.cut()

    def close(self) -> None:
        """Let go of the file."""
        self._source.close()


def _coding(start: bytes) -> str | None:
    """UTF-16 by its mark, or by zeros in every other place of ASCII."""
    if start.startswith(b"\xff\xfe") and not start.startswith(b"\xff\xfe\0\0"):
        return "utf-16-le"
    if start.startswith(b"\xfe\xff"):
        return "utf-16-be"
    shown = start[:_LOOKED_AT]
    for coding, letters, zeros in (("utf-16-le", shown[::2], shown[1::2]), ("utf-16-be", shown[1::2], shown[::2])):
        if len(shown) >= 8 and not any(zeros) and all(byte in b"\t\n\r" or 32 <= byte < 127 for byte in letters):
            return coding
    return None


def _decoded(coding: str) -> Step:
    decoder = codecs.getincrementaldecoder(coding)("replace")

    def step(data: bytes, last: bool) -> bytes:
        return decoder.decode(data, last).removeprefix("\ufeff").encode()

    return step


def _parted_by_blanks(start: bytes) -> bool:
    """Whether the first lines are a header row and rows of as many words, parted by blanks and by nothing else."""
    rows = [line.strip(b" \r") for line in start.split(b"\n")[:-1]]
    told = [row for row in rows if row and not is_comment(row)]
    if told and re.fullmatch(rb"[-+0-9.,eExXzZ ]+", told[0]):  # its names stand in the remark before it
        before = rows[: rows.index(told[0])]
        told = [row for row in before if row][-1:] + told
    if len(told) < 2 or any(byte in told[0] for byte in b',;\t"'):
        return False
    wide = len(_words(told[0]))
    return wide > 1 and all(
        len(row.split()) == wide and b"\t" not in row and all(_is_value(word) for word in row.split())
        for row in told[1 : 1 + _LINES]
    )


def _is_value(word: bytes) -> bool:
    """A time (its sign a point or a comma), or a level or number of a column of samples."""
    return _NUMBER.fullmatch(word) is not None or re.fullmatch(rb"[0-9a-fA-FxXzZ?_-]+", word) is not None


def _words(line: bytes) -> list[bytes]:
    """The names of a header row: a mark of remarks in front does not count, a unit in brackets belongs to its name."""
    mark = _MARK.match(line)
    names: list[bytes] = []
    for word in line[mark.end() if mark else 0 :].split():
        if names and _UNIT.fullmatch(word):
            names[-1] += b" " + word
        else:
            names.append(word)
    return names


class _Tabs:
    """Blanks between words to tabs, whole lines at a time."""

    def __init__(self) -> None:
        self._open, self._headed = b"", False

    def __call__(self, data: bytes, last: bool) -> bytes:
        data = self._open + data
        stop = len(data) if last or (len(data) > _LONGEST and b"\n" not in data) else data.rfind(b"\n") + 1
        data, self._open = data[:stop], data[stop:]
        lines = []
        while data and not self._headed:
            line, end, data = data.partition(b"\n")
            bare = line.strip(b" \r")
            self._headed = bool(bare) and not is_comment(bare)
            mark = _MARK.match(line) if bare and not self._headed else None
            lines.append((mark[0] if mark else b"") + b"\t".join(_words(bare)) + end)
        data = re.sub(rb"(?m)^ +| +(?=\r?$)", b"", data)
        return b"".join(lines) + re.sub(rb" +", b"\t", data)
