"""Dumps for tests: hypothesis strategies that spell what clause 18 allows, and helpers to read them."""

from __future__ import annotations

import io
from dataclasses import dataclass

from hypothesis import strategies as st

from busledger.decoder.capture import Capture, open_capture
from busledger.decoder.capture.file import CaptureFile

CODE_LETTERS = [chr(c) for c in range(33, 127)]
SPACES = st.sampled_from([" ", "\n", "\t", "\r\n", "  ", " \n\n", "\n\t "])


@dataclass(frozen=True)
class Spelled:
    """A dump's parts: declarations, body text, sizes of each code, lines in order of header.signals."""

    header: str
    body: str
    sizes: dict[str, int | None]
    lines: list[tuple[str, int]]

    @property
    def text(self) -> str:
        """The whole file."""
        return self.header + self.body


def opened(text: str | bytes, piece: int | None = None) -> CaptureFile:
    """The text as a capture on a stream, read in pieces of ``piece`` bytes."""
    data = text.encode("latin-1") if isinstance(text, str) else text
    capture = open_capture("-", stdin=io.BytesIO(data))
    capture.piece_bytes = piece
    return capture


def rows_of(block: Capture, lines: int) -> list[tuple[int, str]]:
    """(time, one letter of 0 1 x a line) of each row."""
    rows = []
    for time, levels, unknown in zip(block.time.tolist(), block.levels.tolist(), block.unknown.tolist(), strict=True):
        row = "".join(
            "x" if unknown[k // 64] >> (k % 64) & 1 else str(levels[k // 64] >> (k % 64) & 1) for k in range(lines)
        )
        assert all(level & other == 0 for level, other in zip(levels, unknown, strict=True))
        rows.append((time, row))
    return rows


@st.composite
def codes(draw: st.DrawFn, count: int) -> list[str]:
    """Distinct identifier codes of one to twelve printable characters."""
    sizes = st.sampled_from([1, 1, 1, 2, 3, 8, 9, 12])
    one = sizes.flatmap(lambda n: st.text(st.sampled_from(CODE_LETTERS), min_size=n, max_size=n))
    # "$end" as a code could never be told from the keyword
    return draw(st.lists(one.filter(lambda c: c != "$end"), min_size=count, max_size=count, unique=True))


@st.composite
def changes(draw: st.DrawFn, sizes: dict[str, int | None]) -> str:
    """One value change, spelled in one of the ways the clause allows."""
    code = draw(st.sampled_from(sorted(sizes)))
    size = sizes[code]
    if size is None:
        return draw(st.sampled_from(["r1.5", "R-2e-3", "r0", "sidle"])) + draw(SPACES) + code
    letters = st.sampled_from("01") if draw(st.booleans()) else st.sampled_from("01xXzZ")
    if (size == 1 and draw(st.integers(0, 3))) or draw(st.integers(0, 9)) == 0:
        return draw(letters) + code
    digits = draw(st.text(letters, min_size=1, max_size=size + (draw(st.integers(0, 9)) == 0)))
    return draw(st.sampled_from("bbB")) + digits + draw(SPACES if draw(st.booleans()) else st.just(" ")) + code


@st.composite
def dumps(draw: st.DrawFn, max_stamps: int = 12, wide: bool = True) -> Spelled:
    """A whole dump: up to six variables, free white space, sections and comments in between."""
    sized = st.sampled_from([1, 1, 1, 1, 4, 8, 70, None] if wide else [1, 1, 1, 3, None])
    names = draw(codes(draw(st.integers(1, 6))))
    sizes = {code: draw(sized) for code in names}
    header, lines = "$timescale 1 ns $end ", []
    for index, (code, size) in enumerate(sizes.items()):
        for again in range(draw(st.sampled_from([1, 1, 1, 2]))):
            kind = "real" if size is None else "wire"
            header += draw(SPACES).join(["$var", kind, str(size or 64), code, f"n{index}_{again}", "$end"])
            header += draw(SPACES)
            lines += [(code, bit) for bit in range(size or 0)]
    header += "$enddefinitions $end\n"
    body, now = "", 0
    for _ in range(draw(st.integers(0, max_stamps))):
        now += draw(st.sampled_from([0, 1, 1, 7, 42, 10**6, 10**11]))
        inside = draw(st.lists(changes(sizes), max_size=4))
        section = draw(st.sampled_from(["", "", "", "", "$dumpvars", "$dumpall", "$dumpoff", "$dumpon"]))
        odd = draw(st.sampled_from(["", "", "", "$comment #5 1! b0 $end", "$vendor 1! # $end"]))
        stamp = [f"#{now}"] if draw(st.integers(0, 9)) else []
        words = [*stamp, *([odd] if odd else []), *([section] if section else []), *inside]
        words += ["$end"] if section else []
        body += "".join(word + draw(SPACES) for word in words)
    return Spelled(header, body, sizes, lines)
