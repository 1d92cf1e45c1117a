"""Which cycles a list shows, and the list as text for a terminal."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from rich.text import Text

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared, Verdict
from busledger.decoder.program.following.columns import Followed
from busledger.decoder.report.cycle_rows import COLUMNS, RowFormat, unguarded
from busledger.decoder.report.numbers import lane_ranges
from busledger.decoder.report.program_rows import ProgramRows
from busledger.decoder.report.terminal import printed

__all__ = ["Lister", "Selection", "list_text"]

# What goes first when the terminal is narrow.
_DROPPED_FIRST = ("of", "followed", "flags", "region", "index", "expected", "routine", "part", "time_s", "kind")
_REGION = COLUMNS.index("region")
_HEADS = {"time_s": "time s", "mismatch": "differs", "address": "addr"}


@dataclass(frozen=True)
class Selection:
    """Rows to list: transfers; with ``everything`` idle and refresh cycles too; with ``wrong_only`` mismatches."""

    everything: bool = False
    wrong_only: bool = False

    def rows(self, cycles: Cycles, compared: Compared) -> NDArray[np.bool_]:
        """bool, shape (n,): which cycles are listed."""
        if self.wrong_only:
            return np.asarray(compared.verdict == Verdict.MISMATCH)
        if self.everything:
            return np.ones(len(cycles), np.bool_)
        return np.asarray((cycles.kind != Kind.IDLE) & (cycles.kind != Kind.REFRESH))


@dataclass
class Lister:
    """Takes blocks of cycles in order and hands the listed rows to its writers as text.

    ``csv`` and ``jsonl`` take bytes; ``page`` keeps the first ``page_rows``
    rows as fields. ``index`` counts every cycle of the capture, listed or not,
    so that it means the same cycle in every list and every report. With ``program``
    the program's columns stand behind the others, and blocks come with what was followed; ``whole``: all cycles of
    an instruction of which one is listed.
    """

    form: RowFormat
    selection: Selection = Selection()
    csv: Callable[[bytes], object] | None = None
    jsonl: Callable[[bytes], object] | None = None
    page_rows: int = 0
    program: ProgramRows | None = None
    whole: bool = False
    page: list[list[str]] = field(default_factory=list)
    seen: int = 0
    listed: int = 0
    wrong: int = 0

    def start(self) -> None:
        """Write what stands before the first row."""
        if self.csv is not None:
            self.csv((self.form if self.program is None else self.program).csv_header())

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the fields of a row of ``page``."""
        return COLUMNS if self.program is None else (*COLUMNS, *self.program.columns)

    def feed(self, cycles: Cycles, compared: Compared, followed: Followed | None = None) -> bool:
        """Take one block; False once only a page was wanted and it is full."""
        number = np.arange(self.seen, self.seen + len(cycles), dtype=np.int64)
        if followed is not None and len(cycles):  # the list's own numbers, where they do not begin with the run's
            followed = followed.shifted(self.seen - int(compared.index[0]))
        chosen = self.selection.rows(cycles, compared)
        if self.whole and followed is not None:
            owners = followed.of[chosen]
            chosen = chosen | np.isin(followed.of, owners[owners >= 0])
        self.seen += len(cycles)
        if not chosen.all():
            number, cycles, compared = number[chosen], cycles.take(chosen), compared.take(chosen)
            followed = None if followed is None else followed.take(chosen)
        room = self.page_rows - len(self.page)
        only_page = self.csv is None and self.jsonl is None
        if only_page and len(cycles) > room:
            number, cycles, compared = number[:room], cycles.slice(0, room), compared.slice(0, room)
        self.listed += len(cycles)
        self.wrong += int(np.count_nonzero(compared.verdict == Verdict.MISMATCH))
        if self.csv is not None:
            for piece in self._rows("csv", number, cycles, compared, followed):
                self.csv(piece)
        if self.jsonl is not None:
            for piece in self._rows("jsonl", number, cycles, compared, followed):
                self.jsonl(piece)
        if room > 0:
            some = None if followed is None else followed.slice(0, room)
            rows = self._rows("csv", number[:room], cycles.slice(0, room), compared.slice(0, room), some)
            text = b"".join(rows).decode()
            fields = csv.reader(text.splitlines())
            self.page += [[*row[:_REGION], unguarded(row[_REGION]), *row[_REGION + 1 :]] for row in fields]
        return not (only_page and len(self.page) >= self.page_rows)

    def _rows(
        self,
        form: Literal["csv", "jsonl"],
        number: NDArray[np.int64],
        cycles: Cycles,
        compared: Compared,
        followed: Followed | None,
    ) -> Iterator[bytes]:
        if self.program is None or followed is None:
            return (self.form.csv if form == "csv" else self.form.jsonl)(number, cycles, compared)
        return (self.program.csv if form == "csv" else self.program.jsonl)(number, cycles, compared, followed)


def list_text(page: Sequence[Sequence[str]], *, width: int, colour: bool, names: Sequence[str] = COLUMNS) -> str:
    """Rows of the columns ``names`` as a table; columns that do not fit are left out, the least needed first."""
    shown = [dict(zip(names, row, strict=True)) for row in page]
    for row in shown:
        row["mismatch"] = _lanes(row["mismatch"])
    columns = [name for name in names if name in ("kind", "address", "data") or any(row[name] for row in shown)]
    heads = {name: _HEADS.get(name, name) for name in columns}
    sizes = {name: max(len(heads[name]), *(len(row[name]) for row in shown), 1) for name in columns}
    for name in _DROPPED_FIRST:
        if sum(sizes[c] + 2 for c in columns) - 2 > width and name in columns:
            columns.remove(name)
    lines = [Text("  ".join(_cell(name, heads[name], sizes[name]) for name in columns), style="dim")]
    for row in shown:
        style = "bold red" if row["mismatch"] else ""
        lines.append(Text("  ".join(_cell(name, row[name], sizes[name]) for name in columns)[:width], style=style))
    return printed(lines, width=width, colour=colour)


def _cell(column: str, text: str, size: int) -> str:
    return text.rjust(size) if column in ("index", "time_s") else text.ljust(size)


def _lanes(mask: str) -> str:
    """``D4, D6`` for the mask ``50``; nothing where no lane differs or nothing was compared."""
    value = int(mask, 16) if mask else 0
    return lane_ranges(f"D{bit}" for bit in range(value.bit_length()) if value >> bit & 1)
