"""The declarations of a value change dump as tokens, however its white space is laid out.

IEEE 1364-2005 18.2 is free-form: a declaration may be split over lines, several
may share one, and ``$version`` may hold words that begin with ``$``. This scan
finds each section and where it lies; vcdvcd (in ``vcd_header``) then reads the
declarations spelled one a line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from busledger.decoder.errors import CaptureError
from busledger.decoder.text import plain

__all__ = ["HEADER_LIMIT", "Scan", "VarText"]

HEADER_LIMIT = 64 << 20
BITS_LIMIT = 1 << 18
WORD_LIMIT = 1 << 20
_TOKEN = re.compile(rb"\S+")
_SKIPPED = (b"$comment", b"$date", b"$version")


@dataclass(frozen=True, slots=True)
class VarText:
    """One ``$var`` as the file spells it; ``at`` its byte offset."""

    kind: bytes
    size: int
    code: bytes
    reference: bytes
    scope: tuple[bytes, ...]
    at: int


@dataclass(slots=True)
class Scan:
    """Feeds on the start of the file until ``$enddefinitions $end`` has passed.

    ``body_at`` is then the offset of the first byte after it; before, None.
    """

    where: str
    variables: list[VarText] = field(default_factory=list)
    timescale: bytes | None = None
    timescale_at: int = 0
    body_at: int | None = None
    data: bytearray = field(default_factory=bytearray)
    _at: int = 0
    _section: list[bytes] = field(default_factory=list)
    _section_at: int = 0
    _scope: list[bytes] = field(default_factory=list)
    _bits: int = 0

    def feed(self, piece: bytes) -> None:
        """Take more bytes; raises CaptureError on a defect or past the limit."""
        if not self.data and piece.startswith(b"\xef\xbb\xbf"):
            self._at = 3  # a byte order mark is passed over, and counted
        self.data += piece
        begin = len(self.data) - len(piece)
        for match in _TOKEN.finditer(self.data, self._at):
            if match.end() == len(self.data):  # counts once white space follows it
                self._at = match.start()
                if match.end() - match.start() > WORD_LIMIT:
                    raise self.defect(f"one word of more than {WORD_LIMIT >> 20} MB in the header", match.start())
                break
            self._token(match.group(), match.start())
            if self.body_at is not None:
                break
        else:
            self._at = len(self.data)
        if (at := self.data.find(b"\x00", begin, self.body_at)) >= 0:
            raise self.defect("a NUL byte in the header", at, hint="This is not a text file.")
        if self.body_at is not None:
            return
        if len(self.data) > HEADER_LIMIT:
            raise self.defect(
                f"no $enddefinitions in the first {HEADER_LIMIT >> 20} MB", len(self.data), hint="Dump fewer signals."
            )

    def finish(self) -> None:
        """The file ended: say what is missing."""
        if self.body_at is None:
            last = plain(self._section[0].decode("latin-1")) if self._section else ""
            what = f"the file ends in the header, inside {last}" if last else "the file ends in the header"
            raise self.defect(
                what, len(self.data), expected="$enddefinitions $end", hint="The file is cut; copy or record it again."
            )

    def defect(self, what: str, at: int, expected: str = "", hint: str = "") -> CaptureError:
        """An error that names file, byte and line."""
        line = self.data.count(b"\n", 0, at) + 1
        return CaptureError(what, where=f"{self.where}, byte {at}, line {line}", expected=expected, hint=hint)

    def _token(self, token: bytes, at: int) -> None:
        if not self._section:
            if not token.startswith(b"$"):
                raise self.defect(
                    f"{plain(token.decode('latin-1'), 40)!r} in the header", at, expected="a declaration such as $var"
                )
            self._section, self._section_at = [token], at
        elif token == b"$end":
            section, self._section = self._section, []
            self._close(section, at + len(token))
        elif self._section[0] not in _SKIPPED:
            self._section.append(token)
            if len(self._section) > 100_000:
                raise self.defect(f"{plain(self._section[0].decode('latin-1'))} never ends", self._section_at)

    def _close(self, section: list[bytes], end: int) -> None:
        keyword = section[0]
        if keyword == b"$var":
            self._variable(section)
        elif keyword == b"$scope":
            if len(section) < 3:
                raise self.defect("$scope without a name", self._section_at, expected="$scope type name $end")
            self._scope.append(section[-1])
        elif keyword == b"$upscope":
            if self._scope:
                self._scope.pop()
        elif keyword == b"$timescale":
            self.timescale, self.timescale_at = b" ".join(section[1:]), self._section_at
        elif keyword == b"$enddefinitions":
            self.body_at = end

    def _variable(self, section: list[bytes]) -> None:
        at = self._section_at
        if len(section) > 1 and section[1] == b"port":
            raise self.defect(
                "this is an extended dump ($var port)", at, expected="a four-state dump", hint="Use $dumpvars."
            )
        if len(section) < 5:
            shown = plain(b" ".join(section).decode("latin-1"), 80)
            raise self.defect(f"{shown!r} declares nothing", at, expected="$var type size code name $end")
        size = int(section[2]) if re.fullmatch(rb"\d{1,7}", section[2]) else 0
        if size < 1:
            shown = plain(section[2].decode("latin-1"), 40)
            raise self.defect(f"{shown!r} is not a size", at, expected=f"1 to {BITS_LIMIT} bits")
        self._bits += size
        if self._bits > BITS_LIMIT:
            raise self.defect(f"more than {BITS_LIMIT} bits are declared", at, hint="Dump fewer signals.")
        reference = b"".join(section[4:])
        self.variables.append(VarText(section[1], size, section[3], reference, tuple(self._scope), at))
