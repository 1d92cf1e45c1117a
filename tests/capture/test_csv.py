"""CSV of samples: what a header row means, times, and each defect with its line."""

from __future__ import annotations

import io

import pytest

from busledger.decoder.capture import open_capture, sample_grid
from busledger.decoder.capture.file import CaptureFile
from busledger.decoder.errors import CaptureError, UsageError
from tests.capture.vcd_texts import rows_of


def _csv(text: str, rate_hz: float | None = None) -> CaptureFile:
    return open_capture("-", stdin=io.BytesIO(text.encode()), rate_hz=rate_hz)


@pytest.mark.parametrize(
    ("column", "stamp", "picoseconds"),
    [
        ("time", "0.000001", 10**6),
        ("Time [s]", "1e-6", 10**6),
        ("time(ms)", "1.5", 15 * 10**8),
        ("time_us", "2.25", 2_250_000),
        ("TIME_NS", "41.6667", 41_667),
        ("t", "3", 3 * 10**12),
        ("timestamp ps", "17", 17),
        ("Time [µs]", "1", 10**6),
    ],
)
def test_time_columns_and_units(column: str, stamp: str, picoseconds: int) -> None:
    capture = _csv(f"{column},CLK,/RD\n0,0,1\n{stamp},1,1\n")
    assert [signal.name for signal in capture.header.signals] == ["CLK", "/RD"]
    assert rows_of(capture.read([0, 1]), 2) == [(0, "01"), (picoseconds, "11")]
    assert capture.header.tick_fs == 1000 and capture.end_time == picoseconds


def test_a_rate_stands_in_for_a_time_column() -> None:
    capture = _csv("A0,A1\n" + "0,1\n1,1\n" * 200, rate_hz=24e6)
    block = capture.read([0, 1])
    assert block.time[:4].tolist() == [0, 41667, 83333, 125000]
    assert sample_grid(block.time) == pytest.approx(41666.667, abs=0.01)


def test_a_channel_may_be_called_t_or_ts() -> None:
    assert [s.name for s in _csv("A0,T,TS,times\n0,0,0,0\n", 1e6).header.signals] == ["A0", "T", "TS", "times"]


def test_semicolons_with_a_decimal_comma_tabs_and_quotes() -> None:
    rows = [(0, "0"), (500_000, "1")]
    assert rows_of(_csv('"time_us";"D0"\n"0,0";0\n0,5;1\n').read([0]), 1) == rows
    assert rows_of(_csv("time_us\tD0\n0\t0\n0.5\t1\n").read([0]), 1) == rows
    assert [s.name for s in _csv('time,"a,b"\n0,1\n').header.signals] == ["a,b"]


def test_a_vector_column_holds_hexadecimal() -> None:
    capture = _csv("time_ps,data[7:0]\n0,0x5A\n1,f\n2,\n3,x1\n")
    assert [s.name for s in capture.header.signals] == [f"data[{i}]" for i in range(8)]
    assert rows_of(capture.read(range(7, -1, -1)), 8) == [
        (0, "01011010"), (1, "00001111"), (2, "xxxxxxxx"), (3, "xxxx0001"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("size", "cells", "base", "values"),
    [
        (8, ["00111100", "00000001"], "binary", [0x3C, 1]),
        (8, ["0b111100", "0b1"], "binary", [0x3C, 1]),
        (4, ["0110", "1111", "0000"], "binary", [6, 15, 0]),
        (8, ["255", "16", "7"], "decimal", [255, 16, 7]),
        (7, ["99", "12"], "decimal", [99, 12]),  # 0x99 has eight bits
        (16, [str(n * n) for n in range(40)], "decimal", [n * n for n in range(40)]),  # unpadded, never a letter
        (8, ["3c", "12"], "hexadecimal", [0x3C, 0x12]),
        (8, ["12", "34"], "hexadecimal", [0x12, 0x34]),
        (8, ["0x11", "10"], "hexadecimal", [0x11, 0x10]),
        (8, ["0x3C", "0b"], "hexadecimal", [0x3C, 0x0B]),
        (12, ["001", "010", "111"], "hexadecimal", [1, 0x10, 0x111]),
    ],
)
def test_the_first_cells_say_the_base_and_the_reader_says_which_it_took(
    size: int, cells: list[str], base: str, values: list[int]
) -> None:
    lines = "".join(f"{n},{cell}\n" for n, cell in enumerate(cells))
    capture = _csv(f"time_ps,D[{size - 1}:0]\n{lines}")
    assert [note.text for note in capture.notes] == [f"numbers are read: D[{size - 1}:0] as {base}"]
    rows = rows_of(capture.read(range(size - 1, -1, -1)), size)
    assert [int(levels, 2) for _, levels in rows] == values


@pytest.mark.parametrize(
    ("size", "cells", "said"),
    [
        (8, ["3c", "13c"], "'13c' does not fit in D[7:0], read as hexadecimal"),
        (7, ["3c", "8a"], "'8a' does not fit in D[6:0], read as hexadecimal"),
        (8, ["11001100", "100110011"], "'100110011' does not fit in D[7:0], read as binary"),
        (8, ["200", "256"], "'256' does not fit in D[7:0], read as decimal"),
    ],
)
def test_a_number_that_does_not_fit_is_refused(size: int, cells: list[str], said: str) -> None:
    lines = "".join(f"{n},{cell}\n" for n, cell in enumerate(cells))
    with pytest.raises(CaptureError) as caught:
        _csv(f"time_ps,D[{size - 1}:0]\n{lines}").read(range(size))
    assert said in str(caught.value)


def test_times_before_the_trigger_are_counted_from_the_first_line() -> None:
    capture = _csv("time_us,A0\n-1.5,0\n-0.5,1\n0,0\n2,1\n")
    assert rows_of(capture.read([0]), 1) == [(0, "0"), (1_000_000, "1"), (1_500_000, "0"), (3_500_000, "1")]
    assert [(note.code, note.text) for note in capture.notes] == [
        ("pre-trigger", "the times begin 1.5us before 0; they are counted from there")
    ]


@pytest.mark.parametrize(
    "word",
    ["Zeit [s]", "Temps (s)", "Tiempo", "Tempo [s]", "Tijd / s", "czas_s", "Время [с]", "时间 (s)"],
)
def test_the_time_column_may_be_named_in_other_languages(word: str) -> None:
    capture = _csv(f"{word};A0\n0;0\n1e-6;1\n")
    assert [signal.name for signal in capture.header.signals] == ["A0"]
    assert rows_of(capture.read([0]), 1) == [(0, "0"), (10**6, "1")]


def test_foreign_words_name_channels_too_where_no_unit_says_time() -> None:
    assert [s.name for s in _csv("A0,Tempo,TID\n0,0,0\n", 1e6).header.signals] == ["A0", "Tempo", "TID"]


@pytest.mark.parametrize("mark", ["#", ";", "//", "%", '"# '])
def test_remarks_before_the_header_are_passed_over(mark: str) -> None:
    text = f"{mark} recorded at the loom\n{mark} 24 MHz, threshold 1.4 V\n\ntime_us,A0\n0,0\n1,1\n2,7\n"
    capture = _csv(text)
    with pytest.raises(CaptureError, match="'7' is not a level") as caught:
        capture.read([0])
    assert caught.value.where.endswith(", line 7")
    assert rows_of(_csv(text.removesuffix("2,7\n")).read([0]), 1) == [(0, "0"), (10**6, "1")]


def test_a_remark_with_as_many_fields_as_the_numbers_below_is_the_header() -> None:
    capture = _csv("# recorded at the loom\n# time_us,A0\n0,0\n1,1\n")
    assert rows_of(capture.read([0]), 1) == [(0, "0"), (10**6, "1")]


def test_quoted_decimal_commas_between_commas() -> None:
    assert rows_of(_csv('time_us,A0\n"0,5",0\n"1,25",1\n').read([0]), 1) == [(500_000, "0"), (1_250_000, "1")]


def test_a_last_line_without_line_end_counts_if_it_is_whole() -> None:
    whole = _csv("time_ps,a,b\n0,0,0\n5,1,1")
    assert rows_of(whole.read([0, 1]), 2) == [(0, "00"), (5, "11")] and whole.notes == []
    cut = _csv("time_ps,a,b\n0,0,0\n5,1")
    assert rows_of(cut.read([0, 1]), 2) == [(0, "00")]
    assert [note.code for note in cut.notes] == ["truncated"]


@pytest.mark.parametrize(
    ("text", "message", "line"),
    [
        ("time,a\n0,0\nnan,1\n", "'nan' is not a time", 3),
        ("time,a\n0,0\ninf,1\n", "'inf' is not a time", 3),
        ("time,a\n0,0\n,1\n", "'' is not a time", 3),
        ("time,a\n0,0\n1e,1\n", "is not a time", 3),
        ("time,a\n-1,0\n-2,0\n", "runs backwards at '-2'", 3),
        ("time,a\n0,0\n2,1\n\n1,0\n", "runs backwards at '1'", 5),
        ("time,a\n0,0\n1e30,1\n", "too large", 3),
        ("time,a\n0,0\n1,2\n", "'2' is not a level", 3),
        ("time,a\n0,0\n1,high\n", "'high' is not a level", 3),
        ("time,a\n0,0\n1,1,1\n", "more fields", 3),
        ("time,a,b\n0,0,0\n1,1\n2,0,0\n", "fewer fields", 3),
        ("time,d[7:0]\n0,00\n1,5G\n", "'5G' is not a level", 3),
    ],
)
def test_a_defect_names_its_line(text: str, message: str, line: int) -> None:
    capture = _csv(text)
    with pytest.raises(CaptureError, match=message) as caught:
        capture.read(range(len(capture.header.signals)))
    assert caught.value.where.endswith(f", line {line}")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("hello\n", "one field"),
        ("t\rime,a\n0,0\n", "the header row cannot be read"),
        ("just some words", "neither a value change dump nor a CSV"),
        ("0,0,1\n1,1,1\n", "the first line is '0,0,1'"),
        ("time,a,a\n0,0,1\n", "two columns are named 'a'"),
        ("time,,a\n0,0,1\n", "a column has no name"),
        ("time\n0\n", "no channel has a column"),
        ("a,b\n0,1\n", "no column is a time.*--rate"),
    ],
)
def test_a_header_that_is_none(text: str, message: str) -> None:
    with pytest.raises(CaptureError, match=message):
        _csv(text)


def test_rates_that_cannot_be() -> None:
    for rate in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError, match="sample rate"):
            _csv("a\n0\n", rate)
    with pytest.raises(UsageError, match="has a time column"):
        _csv("time,a\n0,0\n", 1e6)


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"time A0 A1\n0 1 0\n1 0\n", "one field; expected fields parted by comma, semicolon or tab"),
        (b"time|A0|A1\n0|1|0\n1|0|0\n", "one field; expected fields parted by comma, semicolon or tab"),
    ],
)
def test_tables_that_are_nearly_right_are_told_how(tmp_path, data, what):
    (tmp_path / "run.csv").write_bytes(data)
    with pytest.raises(CaptureError, match=what):
        open_capture(tmp_path / "run.csv")
