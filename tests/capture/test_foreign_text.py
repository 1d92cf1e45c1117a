"""Captures as other systems write text: the same rows as of their plain form, and places that mean the same lines."""

from __future__ import annotations

import codecs
import gzip
import io
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.capture import open_capture
from busledger.decoder.errors import CaptureError

HEAD = '$timescale 1 ns $end\n$var wire 1 ! a $end\n$var wire 1 " b $end\n$enddefinitions $end\n'
TABLE = "time [s],A0,A1\n0,1,0\n0.001,0,0\n0.002,0,1\n"
DUMP = HEAD + '#0 0! 1"\n#5 1!\n#9 0"\n'


def rows(folder: Path, data: bytes, name: str = "run") -> tuple[object, ...]:
    path = folder / name
    path.write_bytes(data)
    with open_capture(path) as capture:
        read = capture.read(range(len(capture.header.signals)))
        names = [signal.name for signal in capture.header.signals]
        return names, read.time.tolist(), read.levels.tolist(), read.unknown.tolist(), capture.notes


@pytest.mark.parametrize("text", [TABLE, DUMP], ids=["csv", "vcd"])
@pytest.mark.parametrize("coding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_utf_16_is_read_with_and_without_its_mark(tmp_path: Path, text: str, coding: str) -> None:
    plain = rows(tmp_path, text.encode())
    assert rows(tmp_path, text.encode(coding)) == plain
    assert rows(tmp_path, gzip.compress(text.encode(coding))) == plain


def test_utf_16_whose_mark_says_that_high_bytes_come_first(tmp_path: Path) -> None:
    marked = codecs.BOM_UTF16_BE + TABLE.replace("A0", "Adreßleitung").encode("utf-16-be")
    assert rows(tmp_path, marked) == rows(tmp_path, TABLE.replace("A0", "Adreßleitung").encode())


class Dripping(io.BytesIO):
    """A pipe that gives 333 bytes at a time: half a letter of UTF-16 at the end of each second piece."""

    def read1(self, size: int | None = -1, /) -> bytes:
        return self.read(333)


def test_a_letter_is_not_torn_where_two_pieces_meet(tmp_path: Path) -> None:
    text = "Zeit;Ä0\n" + "".join(f"{n};{n * n & 1}\n" for n in range(6000))
    with open_capture("-", stdin=Dripping(text.encode("utf-16"))) as piped:
        assert [signal.name for signal in piped.header.signals] == ["Ä0"]
        assert piped.read([0]).time.tolist() == rows(tmp_path, text.encode())[1]


def test_utf_16_of_a_spreadsheet_in_another_language(tmp_path: Path) -> None:
    text = "Zeit [ms];Ader A0;Ader A1\r\n0,5;1;0\r\n1,5;0;1\r\n"
    assert rows(tmp_path, text.encode("utf-16")) == rows(tmp_path, text.encode())


@pytest.mark.parametrize("text", [TABLE, TABLE.replace(",", ";"), "# exported\n" + TABLE, DUMP])
def test_lines_that_end_with_cr_alone(tmp_path: Path, text: str) -> None:
    plain = rows(tmp_path, text.encode())
    assert rows(tmp_path, text.replace("\n", "\r").encode()) == plain
    assert rows(tmp_path, text.replace("\n", "\r").encode("utf-16")) == plain


BLANKS = """time [s]  A0 A1 D[3:0]
  0.000    1  0    f
  0.001    0  0    3
  0.002    0  1    a
"""


@pytest.mark.parametrize(
    "text",
    [
        BLANKS,
        BLANKS.replace("\n", " \r\n"),
        BLANKS.replace("\n", "\r"),
        BLANKS.replace("0.00", "0,00"),
        "# an analyser's own export\n\n" + BLANKS,
    ],
    ids=["aligned", "crlf", "cr", "decimal-comma", "remark"],
)
def test_a_table_whose_fields_blanks_part(tmp_path: Path, text: str) -> None:
    commas = "time [s],A0,A1,D[3:0]\n0.000,1,0,f\n0.001,0,0,3\n0.002,0,1,a\n"
    assert rows(tmp_path, text.encode())[:4] == rows(tmp_path, commas.encode())[:4]


def test_names_that_stand_in_the_remark_before_the_numbers(tmp_path: Path) -> None:
    blanks, commas = "#  time [s] A0 A1\n0 1 0\n1 0  0\n", "# time [s],A0,A1\n0,1,0\n1,0,0\n"
    assert rows(tmp_path, blanks.encode()) == rows(tmp_path, commas.encode())


@pytest.mark.parametrize(
    "text",
    [
        "time A0 A1\n0 1 0\n1 0\n",  # a field is missing: which one?
        "time A0 A1\n0 1 0 1\n1 0 0 1\n",
        "this is prose\nof three words\nand no table\n",
    ],
)
def test_what_could_mean_two_things_is_refused(tmp_path: Path, text: str) -> None:
    with pytest.raises(CaptureError, match="one field"):
        rows(tmp_path, text.encode())


def test_a_table_of_blanks_is_read_in_pieces_and_from_a_pipe(tmp_path: Path) -> None:
    """Longer than any buffer: no line is torn where two pieces meet."""
    draw = np.random.default_rng(20)
    lines = [f"{n}  {a} {b}" for n, (a, b) in enumerate(draw.integers(0, 2, (130_000, 2)).tolist())]
    text = "time_us   A0 A1\n" + "\n".join(lines) + "\n"
    wanted = rows(tmp_path, "\n".join(",".join(line.split()) for line in text.splitlines()).encode() + b"\n")
    for data in (text.encode(), text.encode("utf-16")):
        assert rows(tmp_path, data)[:4] == wanted[:4]
        with open_capture("-", stdin=io.BytesIO(data)) as piped:
            assert piped.read([0, 1]).time.tolist() == wanted[1]


def test_the_place_of_a_mistake_is_its_line(tmp_path: Path) -> None:
    good = "".join(f"{n} 1 0\n" for n in range(3000))
    for coding in ("utf-8", "utf-16"):
        with pytest.raises(CaptureError, match=r"line 3002: 'wobble' is not a level"):
            rows(tmp_path, f"time A0 A1\n{good}3000 wobble 1\n".encode(coding))
