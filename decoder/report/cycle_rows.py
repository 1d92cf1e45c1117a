"""Cycles as lines of text: the contract's CSV, and the same fields as JSON lines."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import KIND_NAMES, Cycles, Flag
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.report.arrays import CycleColumns, NumberForm, RowWords, VerdictColumns, Words
from busledger.decoder.text import plain

__all__ = ["COLUMNS", "RowFormat", "csv_fields", "flag_names", "flag_text", "unguarded", "words_table"]

COLUMNS = ("index", "time_s", "kind", "address", "data", "region", "expected", "mismatch", "flags")

_FEMTOSECONDS_PER_NS = 10**6
_SECOND_PLACES = 15
_ROWS_AT_ONCE = 1 << 16

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "|")  # OWASP "CSV injection": what a spreadsheet may run


def flag_names() -> tuple[str, ...]:
    """The words for the bits of ``Cycles.flags``, lowest bit first."""
    return tuple(str(flag.name).lower().replace("_", "-") for flag in Flag)


def flag_text(flags: int) -> str:
    """The words of the set bits joined by ``+``."""
    return "+".join(name for bit, name in enumerate(flag_names()) if flags >> bit & 1)


def unguarded(name: str) -> str:
    """A region's name as a terminal shows it: without the apostrophe that guards a spreadsheet."""
    return name[1:] if name.startswith(tuple(f"'{first}" for first in _FORMULA)) else name


class RowFormat:
    """How the cycles of one capture are written.

    Parameters
    ----------
    region_names : of the board, in the order of ``Cycles.region``
    tick_fs : femtoseconds a tick
    address_bits, data_bits : widths of the bus, 1 to 32
    """

    def __init__(self, region_names: Sequence[str], *, tick_fs: int, address_bits: int, data_bits: int) -> None:
        self._form = NumberForm(
            *divmod(tick_fs, _FEMTOSECONDS_PER_NS),
            exact_digits(tick_fs),
            -(-address_bits // 4),
            -(-data_bits // 4),
            np.uint32((1 << address_bits) - 1),
            np.uint32((1 << data_bits) - 1),
        )
        shown = ["", *(plain(name) for name in region_names)]
        combinations = [flag_text(flags) for flags in range(1 << len(flag_names()))]
        kinds, flags = words_table(KIND_NAMES), words_table(combinations)
        self._csv_words = RowWords(kinds, words_table(csv_fields(shown)), flags, words_table([]))
        as_json = [json.dumps(name) if name else "null" for name in shown]
        keys = words_table(
            [
                '{"index":',
                ',"time_s":',
                ',"kind":"',
                '","address":',
                ',"data":',
                ',"region":',
                ',"expected":',
                ',"mismatch":',
                ',"flags":"',
                '"}\n',
            ]
        )
        self._json_words = RowWords(kinds, words_table(as_json), flags, keys)

    @staticmethod
    def csv_header() -> bytes:
        """The line of column names."""
        return (",".join(COLUMNS) + "\n").encode()

    def csv(self, number: NDArray[np.int64], cycles: Cycles, compared: Compared) -> Iterator[bytes]:
        """CSV lines of all rows, in pieces; ``number`` is each cycle's index in the whole capture."""
        from busledger.decoder.report.csv_kernel import csv_rows

        yield from self._pieces(csv_rows, number, cycles, compared, self._csv_words)

    def jsonl(self, number: NDArray[np.int64], cycles: Cycles, compared: Compared) -> Iterator[bytes]:
        """JSON lines of all rows, in pieces.

        ``address``, ``data``, ``expected`` and ``mismatch`` are numbers; where
        some bits are unknown the CSV's text with ``?``; where all are, null.
        """
        from busledger.decoder.report.csv_kernel import jsonl_rows

        yield from self._pieces(jsonl_rows, number, cycles, compared, self._json_words)

    def _pieces(
        self,
        kernel: Callable[..., int],
        number: NDArray[np.int64],
        cycles: Cycles,
        compared: Compared,
        words: RowWords,
    ) -> Iterator[bytes]:
        form = self._form
        numbers = 20 + 20 + form.digits + 4 * (2 + 2 * max(form.address_nibbles, form.data_nibbles))
        row_bytes = numbers + sum(int(np.diff(table.start).max()) for table in words[:3]) + len(COLUMNS)
        row_bytes += len(words.keys.text)
        out = np.empty(row_bytes * min(max(len(cycles), 1), _ROWS_AT_ONCE), np.uint8)
        for start in range(0, len(cycles), _ROWS_AT_ONCE):
            stop = min(start + _ROWS_AT_ONCE, len(cycles))
            c, v = cycles.slice(start, stop), compared.slice(start, stop)
            columns = CycleColumns(
                number[start:stop], c.time, c.kind, c.address, c.address_unknown, c.data, c.data_unknown, c.region,
                c.flags,
            )  # fmt: skip
            verdicts = VerdictColumns(v.verdict, v.expected, v.known, v.mismatch)
            written = kernel(columns, verdicts, form, words, row_bytes, out)
            assert written >= 0, "row_bytes is an upper bound of every row"
            yield out[:written].tobytes()


def exact_digits(tick_fs: int) -> int:
    """Decimals of a second that write every multiple of the tick exactly, at least nanoseconds."""
    digits = 9
    while digits < _SECOND_PLACES and tick_fs % 10 ** (_SECOND_PLACES - digits):
        digits += 1
    return digits


def words_table(names: Sequence[str]) -> Words:
    """A table of words as the kernels take one: all texts in a row, and where each begins."""
    parts = [name.encode() for name in names]
    start = np.zeros(len(parts) + 1, np.int64)
    start[1:] = np.cumsum([len(part) for part in parts])
    return Words(np.frombuffer(b"".join(parts) or b"\0", np.uint8), start)


def csv_fields(names: Sequence[str]) -> list[str]:
    """Each name as one CSV field; an apostrophe keeps a spreadsheet from taking one for a formula."""
    fields = []
    for name in names:
        guarded = f"'{name}" if name.startswith(_FORMULA) else name
        line = io.StringIO()
        csv.writer(line, lineterminator="").writerow([guarded, ""])
        fields.append(line.getvalue()[:-1])
    return fields
