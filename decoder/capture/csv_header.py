"""The first line of a CSV of samples: which column is what."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from busledger.decoder.capture.columns import Signal
from busledger.decoder.capture.csv_bases import HEX
from busledger.decoder.errors import CaptureError
from busledger.decoder.text import plain

__all__ = ["Column", "CsvHeader", "find_header", "parse_header"]

# Powers of ten from the unit to the picosecond, which is the tick of every CSV.
_UNIT_POWER = {"s": 12, "sec": 12, "seconds": 12, "ms": 9, "us": 6, "µs": 6, "μs": 6, "ns": 3, "ps": 0}
_UNIT_POWER |= {"sek": 12, "с": 12, "мс": 9, "мкс": 6, "нс": 3}
_UNIT = "|".join(_UNIT_POWER)
# "time" as instruments set to other languages write it.
_FOREIGN = (
    "zeit|zeitpunkt|temps|tiempo|tempo|tid|tidspunkt|tijd|aika|czas|čas|cas|время|час|idő|ido|zaman|timp|vrijeme|χρόνος"
    "|时间|時間|시간"
)
_TIME = re.compile(
    rf"(?:time|timestamp|(?P<short>t|{_FOREIGN}))(?:(?:[ _]+|[ _]*[\[(]\s*|\s*/\s*)(?P<unit>{_UNIT})\s*[\])]?)?"
)
_VECTOR = re.compile(r"(?P<name>.+?)\s*\[(?P<msb>\d{1,4}):(?P<lsb>\d{1,4})\]")
_COLUMNS_LIMIT = 1 << 16


@dataclass(frozen=True, slots=True)
class Column:
    """``kind`` as in ``csv_kernel``; ``signals``: indices of its bits, right-most first; ``name`` as in the file."""

    kind: int
    signals: tuple[int, ...] = ()
    name: str = ""


@dataclass(frozen=True, slots=True)
class CsvHeader:
    """``power``: ten to it turns the time column's unit into ticks; None without a time column."""

    columns: tuple[Column, ...]
    signals: tuple[Signal, ...]
    delimiter: str
    power: int | None


def is_comment(line: bytes) -> bool:
    """Whether a line before the header row is a remark."""
    return line.lstrip(b' \t"').startswith((b"#", b";", b"//", b"%"))


def find_header(data: bytes | bytearray) -> tuple[int, int] | None:
    """(begin, end) of the header row's text: the first line that is no remark; None until more bytes are there.

    Where that line holds nothing but numbers, the last remark may be the header row: it is, if it has as many fields.
    """
    at, remark = 0, (0, 0)
    while True:
        end = data.find(b"\n", at)
        if end < 0:
            return None
        line = bytes(data[at:end])
        bare = line.removeprefix(b"\xef\xbb\xbf").strip(b" \t\r")
        if bare and not is_comment(bare):
            first, last = remark
            delimiter = max((b",", b";", b"\t"), key=line.count)
            numbers = re.fullmatch(rb'[-+0-9.,;eExXzZ \t"]+', bare) is not None
            if numbers and last > first and data.count(delimiter, first, last) == line.count(delimiter):
                mark = re.match(rb'[\s"]*(?:#|;|//|%)+\s*', data[first:last])
                return first + (mark.end() if mark else 0), last
            return at + len(line) - len(line.removeprefix(b"\xef\xbb\xbf").lstrip(b"\r")), end
        if bare:
            remark = (at, end)
        at = end + 1


def parse_header(line: str, where: str) -> CsvHeader:
    """Columns of the header row; raises CaptureError where it is none."""
    delimiter = max(",;\t", key=line.count)
    try:
        names = [name.strip() for name in next(csv.reader([line], delimiter=delimiter))]
    except csv.Error as failure:
        raise CaptureError(
            f"the header row cannot be read: {plain(str(failure), 80)}",
            where=f"{where}, line 1",
            expected="names parted by commas, semicolons or tabs, and line feeds at the ends of lines",
        ) from failure
    if len(names) > 1 and not names[-1]:
        names.pop()
    _refuse(names, where)
    columns: list[Column] = []
    signals: list[Signal] = []
    power: int | None = None
    for index, name in enumerate(names):
        match = _TIME.fullmatch(name.lower())
        alone = match and match["short"] and (match["short"] == "t" or match["unit"] is None)
        if match and power is None and (index == 0 or not alone):
            columns.append(Column(0))
            power = _UNIT_POWER[match["unit"] or "s"]
            continue
        vector = _VECTOR.fullmatch(name)
        if vector is None:
            columns.append(Column(1, (len(signals),)))
            signals.append(Signal(name, "", name, None))
            continue
        msb, lsb = int(vector["msb"]), int(vector["lsb"])
        step = 1 if msb >= lsb else -1
        made = [Signal(f"{vector['name']}[{i}]", "", vector["name"], i) for i in range(lsb, msb + step, step)]
        columns.append(Column(HEX, tuple(range(len(signals), len(signals) + len(made))), name))
        signals += made
    if not signals:
        raise CaptureError(
            "no channel has a column", where=f"{where}, line 1", expected="a header row of channel names"
        )
    return CsvHeader(tuple(columns), tuple(signals), delimiter, power)


def _refuse(names: list[str], where: str) -> None:
    place = f"{where}, line 1"
    hint = "Write the channels' names in the first line, or give a VCD."
    if len(names) > _COLUMNS_LIMIT:
        raise CaptureError(f"{len(names)} columns", where=place, expected=f"at most {_COLUMNS_LIMIT}")
    if any(not name for name in names):
        raise CaptureError("a column has no name", where=place, expected="a header row of channel names", hint=hint)
    if all(re.fullmatch(r"[-+0-9.eExXzZ]+", name) for name in names):
        what = f"the first line is {plain(','.join(names), 60)!r}"
        raise CaptureError(what, where=place, expected="a header row of channel names", hint=hint)
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise CaptureError(f"two columns are named {plain(name, 60)!r}", where=place, hint="Rename one of them.")
        seen.add(name)
