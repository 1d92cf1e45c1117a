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
        ("time,a\n-1,0\n", "'-1' is negative", 2),
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
        ("hello\n", "no column is a time"),
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
