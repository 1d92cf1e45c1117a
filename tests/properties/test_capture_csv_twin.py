"""The compiled CSV reader against its slow twin, whole outputs, in pieces of any size."""

from __future__ import annotations

import io
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.capture import open_capture
from tests.capture.vcd_texts import rows_of
from tests.reference.csv_twin import read_csv

LEVEL = st.sampled_from(["0", "1", "0", "1", "x", "Z", "", '"1"', " 0", "-"])
HEX = ["0", "1f", "0x7", "FF", "x", "3x", "", "0x0", "00e"]


def cells_of(base: int, size: int) -> st.SearchStrategy[str]:
    """Numbers that fit ``size`` bits, spelled in ``base``."""
    if base == 2:
        return st.text("01x", min_size=size, max_size=size) | st.just("z" * size) | st.just("")
    if base == 10:
        return st.integers(0, (1 << size) - 1).map(str) | st.sampled_from(["x", "", "-"])
    return st.sampled_from([cell for cell in HEX if size >= 8 or len(cell) == 1])


@st.composite
def tables(draw: st.DrawFn) -> tuple[str, str, str | None, list[int | None], list[int]]:
    """(text, delimiter, unit or None, size and base of each column)."""
    delimiter = draw(st.sampled_from([",", ";", "\t"]))
    unit = draw(st.sampled_from([None, "s", "ms", "us", "ns", "ps"]))
    sizes = draw(st.lists(st.sampled_from([None, None, None, 8, 12]), min_size=1, max_size=5))
    bases = [16 if size is None else draw(st.sampled_from([2, 10, 16])) for size in sizes]
    names = [f"n{i}" if size is None else f"v{i}[{size - 1}:0]" for i, size in enumerate(sizes)]
    end = draw(st.sampled_from(["\n", "\r\n"]))
    lines = [delimiter.join([*([f"time_{unit}"] if unit else []), *names])]
    alone = len(names) == 1 and not unit  # an empty cell alone would be an empty line
    now = draw(st.sampled_from([Fraction(0), Fraction(-1), Fraction(-5, 3)]))
    for row in range(draw(st.integers(0, 12))):
        now += draw(st.sampled_from([Fraction(0), Fraction(1), Fraction(1, 3), Fraction(125, 1000), Fraction(10**6)]))
        kinds = list(zip(sizes, bases, strict=True))
        cells = [draw(LEVEL if size is None else cells_of(base, size)) for size, base in kinds]
        if row == 0:  # more digits than hexadecimal has room for tell the base
            full = {2: lambda size: "1" * size, 10: lambda size: str((1 << size) - 1)}
            cells = [full[b](s) if s and b in full else c for (s, b), c in zip(kinds, cells, strict=True)]
        if alone:
            cells = [cell or "x" for cell in cells]
        stamp = f"{float(now):.9e}" if draw(st.booleans()) else f"{float(now):.9f}"
        lines.append(delimiter.join([*([stamp] if unit else []), *cells]))
    stamps = [Fraction(line.split(delimiter)[0]) for line in lines[1:]] if unit else []
    if stamps != sorted(stamps):  # nine digits of a large number may round below the one before
        lines = lines[:1]
    return end.join(lines) + end, delimiter, unit, sizes, bases


@settings(max_examples=100, deadline=None)
@given(tables(), st.integers(1, 50), st.sampled_from([1, 3, 24_000_000]))
def test_reader_equals_twin(
    table: tuple[str, str, str | None, list[int | None], list[int]], piece: int, rate: int
) -> None:
    text, delimiter, unit, sizes, bases = table
    capture = open_capture("-", stdin=io.BytesIO(text.encode()), rate_hz=None if unit else rate)
    capture.piece_bytes = piece
    lines = len(capture.header.signals)
    assert lines == sum(size or 1 for size in sizes)
    assert rows_of(capture.read(range(lines)), lines) == read_csv(text, delimiter, unit, rate, sizes, bases)
    assert {note.code for note in capture.notes} <= {"number-base", "pre-trigger"}


def test_empty_and_constant_columns() -> None:
    for text, rows in (
        ("time_ns,a\n", []),
        ("time_ns,a\n0,1\n1,1\n2,1\n", [(0, "1")]),
        ("time_ns,a\n0,x\n9,x\n", [(0, "x")]),
    ):
        assert rows_of(open_capture("-", stdin=io.BytesIO(text.encode())).read([0]), 1) == rows
        assert read_csv(text, ",", "ns", 1, [None], [16]) == rows
