"""The text of a list, line by line, whatever stands around the figures; memory follows the errors, not the file."""

from __future__ import annotations

import codecs
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np

from busledger.decoder.errors import UsageError
from busledger.decoder.errors_list.columns import FIELDS, SKIP, ErrorList, MachineBus
from busledger.decoder.errors_list.figures import Figure, figures_of
from busledger.decoder.errors_list.order import best_order
from busledger.decoder.text import plain

__all__ = ["MOST_ERRORS", "read_errors"]

MOST_ERRORS = 500_000
_PIECE = 1 << 16
_LONGEST_LINE = 400  # characters; the rest of such a line is passed over
_LOOKED_AT = 2000  # lines with enough figures, before the orders are settled
_SHOWN = 3
_EACH_ORDER = 3  # lines of one count of figures, to be given an order of their own
_CAPTURE_WORDS = ("$timescale", "$enddefinitions", "$dumpvars", "$var ")


def read_errors(
    source: str | Path,
    bus: MachineBus,
    *,
    order: tuple[str, ...] | None = None,
    decimal: bool = False,
    stdin: IO[bytes] | None = None,
    most: int = MOST_ERRORS,
) -> ErrorList:
    """Every error in a text: an address, what was written, what was read.

    Parameters
    ----------
    source : a file, or ``-`` for ``stdin``
    order : of the figures of a line, with ``skip`` for others; None = the orders are tried
    decimal : the figures are decimal
    most : errors kept; the list counts as cut there

    Raises
    ------
    UsageError
        the file cannot be read, is not text, is a capture, or no line in it holds an error.
    """
    state = _Reading(str(source), bus, order, decimal, most)
    for line in _lines(str(source), stdin):
        if state.take(line):
            break
    return state.finish()


def _lines(source: str, stdin: IO[bytes] | None) -> Iterator[str]:
    if source == "-":
        if stdin is None:
            raise UsageError("the list is '-', but nothing is piped into standard input", hint="Name a file, or '-'.")
        yield from _split(stdin, "standard input")
        return
    try:
        with Path(source).open("rb") as file:
            yield from _split(file, source)
    except OSError as error:
        raise UsageError(
            f"the list cannot be read: {error.strerror or error}", where=plain(source), expected="a file of text"
        ) from error


def _split(file: IO[bytes], where: str) -> Iterator[str]:
    """Lines without their ends, a long one cut; Windows' and old machines' line ends too."""
    piece = file.read(_PIECE)
    coding = "utf-16" if piece[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) else "utf-8-sig"
    if coding != "utf-16" and b"\0" in piece.strip(b"\0"):
        raise UsageError(
            "this is not text", where=plain(where), expected="the lines that the memory test printed, as text"
        )
    decoder = codecs.getincrementaldecoder(coding)("replace")
    rest = ""
    while piece:
        text = rest + decoder.decode(piece)
        found = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
        rest = found.pop()[:_LONGEST_LINE]
        yield from (line[:_LONGEST_LINE] for line in found)
        piece = file.read(_PIECE)
    yield rest + decoder.decode(b"", final=True)


class _Reading:
    """The lines so far; the first are held until there are enough to settle the orders."""

    def __init__(self, path: str, bus: MachineBus, order: tuple[str, ...] | None, decimal: bool, most: int) -> None:
        self._path, self._bus, self._decimal, self._most = path, bus, decimal, most
        self._given = order
        self._orders: dict[int, tuple[str, ...]] = {}
        self._settled = order is not None
        self._held: list[tuple[str, list[Figure]]] = []
        self._columns = tuple(array("q") for _ in FIELDS)
        self._doubt = ""
        self._lines = self._over = self._repeats = 0
        self._shown: list[str] = []
        self._letters = False
        self._far: list[Figure] = []

    def take(self, line: str) -> bool:
        """One line; whether no more are wanted."""
        if not line.strip():
            return False
        if self._lines < 50 and line.strip().startswith(_CAPTURE_WORDS):
            raise UsageError(
                "this is a capture, not a list of errors",
                where=plain(self._path),
                hint="Give it to 'busledger check'.",
            )
        self._lines += 1
        figures = figures_of(line, decimal=self._decimal)
        if self._settled:
            self._add(line, figures)
            return len(self._columns[0]) >= self._most
        if len(figures) < len(FIELDS):
            self._pass_over(line)
            return False
        self._held.append((line, figures))
        if len(self._held) >= _LOOKED_AT:
            self._settle()
        return False

    def _settle(self) -> None:
        self._settled = True
        by_count: dict[int, list[list[Figure]]] = {}
        for _, figures in self._held:
            by_count.setdefault(len(figures), []).append(figures)
        found = {n: best for n, lines in by_count.items() if (best := best_order(lines, self._bus)) is not None}
        most = max((best.fitting for best in found.values()), default=0)
        kept = [n for n, best in found.items() if best.fitting in (most, *range(_EACH_ORDER, most))]
        self._orders = {n: found[n].order for n in kept}
        self._doubt = next((found[n].doubt for n in kept if found[n].doubt), "")
        held, self._held = self._held, []
        for line, figures in held:
            self._add(line, figures)

    def _add(self, line: str, figures: list[Figure]) -> None:
        order = self._given or self._orders.get(len(figures))
        if order is None or len(figures) < len(order):
            self._pass_over(line, figures)
            return
        row = {field: figures[at] for at, field in enumerate(order) if field != SKIP}
        address, wrote, read = (row[field].value for field in FIELDS)
        widest = (1 << self._bus.data_bits) - 1
        if wrote > widest or read > widest or address >> self._bus.address_bits:
            self._pass_over(line, figures)
            return
        if wrote == read:
            self._repeats += 1
            self._over += 1
            return
        self._letters = self._letters or any(one.letters for one in row.values())
        for column, value in zip(self._columns, (address, wrote, read), strict=True):
            column.append(value)

    def _pass_over(self, line: str, figures: list[Figure] | None = None) -> None:
        self._over += 1
        self._far += (figures or [])[: max(0, 60 - len(self._far))]
        if len(self._shown) < _SHOWN:
            self._shown.append(plain(line.strip(), 60))

    def finish(self) -> ErrorList:
        if not self._settled:
            self._settle()
        address, wrote, read = (np.frombuffer(column, np.int64).copy() for column in self._columns)
        made = ErrorList(
            path=self._path,
            address=address,
            wrote=wrote,
            read=read,
            orders=(self._given,) if self._given else tuple(dict.fromkeys(self._orders.values())),
            stated=self._given is not None,
            doubt=self._doubt,
            lines=self._lines,
            passed_over=self._over,
            repeats=self._repeats,
            shown=tuple(self._shown),
            cut=len(address) >= self._most,
            in_letters=self._letters,
        )
        if not len(made) or not self._bus.holds(address).any():
            raise self._nothing(made)
        return made

    def _nothing(self, made: ErrorList) -> UsageError:
        """No error in the list, or none in memory: what it looks like instead."""
        where = plain(self._path) if self._path != "-" else "standard input"
        ranges = ", ".join(f"{start:04X}-{end:04X}" for start, end in self._bus.ranges[:6]) or "no memory at all"
        if not self._lines:
            return UsageError("the list is empty", where=where, expected="lines with an address, written and read")
        seen = [one for one in self._far if one.digits > 1]
        if not self._decimal and (len(made) or seen) and not self._letters and not any(one.letters for one in seen):
            figures = [int(f"{value:X}") for value in made.address.tolist() if f"{value:X}".isdigit()]
            figures += [int(f"{one.value:X}") for one in seen]
            if self._bus.holds(np.array(figures, np.int64)).any():
                return UsageError(
                    "the figures look decimal: read as hexadecimal they do not fit the board's memory",
                    where=where,
                    expected=f"hexadecimal addresses in {ranges}",
                    hint="If the test prints decimal, say --decimal.",
                )
        if len(made):
            return UsageError(
                f"none of the {len(made)} addresses lies in the board's memory (first: {int(made.address[0]):04X})",
                where=where,
                expected=f"addresses in {ranges}",
                hint="Is it the board file of this machine, and the order of the figures?",
            )
        shown = f" (the first line: {self._shown[0]})" if self._shown else ""
        none = f"none of its {self._lines} lines holds an error" if self._lines != 1 else "its one line holds no error"
        return UsageError(
            f"{none}{shown}",
            where=where,
            expected=f"an address in {ranges}, what was written and what was read, in hexadecimal",
            hint="If they stand in another order or among other figures, say --order, such as skip,address,wrote,read.",
        )
