"""Lines and their changes written as a value change dump (IEEE 1364-2005 clause 18)."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["LineChanges", "dump_text"]

_LEVEL = ("0", "1", "x")
_ROWS = 1 << 16
_UNITS = {10**15: "s", 10**12: "ms", 10**9: "us", 10**6: "ns", 10**3: "ps", 1: "fs"}


class LineChanges(Protocol):
    """A line with the pass it came from and its changes in time order."""

    @property
    def name(self) -> str: ...
    @property
    def source(self) -> int: ...
    @property
    def times(self) -> NDArray[np.int64]: ...
    @property
    def values(self) -> NDArray[np.uint8]: ...


def dump_text(lines: Sequence[LineChanges], tick_fs: int, comments: Sequence[str] = ()) -> Iterator[str]:
    """The dump in pieces; every line stands in the scope ``pass1``, ``pass2`` … that it came from."""
    yield _head(lines, tick_fs, comments)
    if not lines:
        return
    times = np.concatenate([line.times for line in lines])
    values = np.concatenate([line.values for line in lines])
    which = np.repeat(np.arange(len(lines)), [len(line.times) for line in lines])
    order = np.argsort(times, kind="stable")
    times, values, which = times[order], values[order], which[order]
    codes = [_code(k) for k in range(len(lines))]
    last = -1
    for start in range(0, len(times), _ROWS):
        out = io.StringIO()
        part = slice(start, start + _ROWS)
        for time, value, line in zip(times[part].tolist(), values[part].tolist(), which[part].tolist(), strict=True):
            if time != last:
                out.write(f"#{time}\n")
                last = time
            out.write(f"{_LEVEL[value]}{codes[line]}\n")
        yield out.getvalue()


def _head(lines: Sequence[LineChanges], tick_fs: int, comments: Sequence[str]) -> str:
    unit = max(fs for fs in _UNITS if tick_fs % fs == 0)
    out = [f"$comment {_one_line(text)} $end" for text in comments]
    out.append(f"$timescale {tick_fs // unit} {_UNITS[unit]} $end")
    for source in sorted({line.source for line in lines}):
        out.append(f"$scope module pass{source + 1} $end")
        out += [
            f"$var wire 1 {_code(k)} {_one_line(line.name)} $end"
            for k, line in enumerate(lines)
            if line.source == source
        ]
        out.append("$upscope $end")
    out.append("$enddefinitions $end\n")
    return "\n".join(out)


def _one_line(text: str) -> str:
    """A comment or a name must not hold the word that ends it, nor break the line."""
    return " ".join(text.replace("$", "S").split())


def _code(number: int) -> str:
    """Identifier codes of printable characters, shortest first (clause 18.2.1)."""
    code = ""
    number += 1
    while number:
        number, digit = divmod(number - 1, 94)
        code = chr(33 + digit) + code
    return code
