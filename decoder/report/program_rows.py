"""Lists of cycles with the program beside them: the contract's columns, then the program's."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.program.following.columns import PART_NAMES, Followed
from busledger.decoder.report.arrays import ProgramColumns, ProgramWords, Words
from busledger.decoder.report.cycle_rows import COLUMNS, RowFormat, csv_fields, words_table
from busledger.decoder.text import plain

if TYPE_CHECKING:
    from busledger.decoder.program.following import Glossary, Symbols

__all__ = ["PROGRAM_COLUMNS", "ROUTINE_COLUMN", "ProgramRows"]

PROGRAM_COLUMNS = ("of", "part", "instruction", "followed")
ROUTINE_COLUMN = "routine"
_TOLD = ("", "told", "inferred")
_LONGEST_NUMBER = 20


class ProgramRows:
    """Writes rows as ``RowFormat`` does, with the columns of the program behind them.

    Parameters
    ----------
    form : how the cycles themselves are written
    glossary : the numbers of ``Followed.text``; it may grow while the list goes on
    symbols : names of addresses; without any there is no column ``routine``
    """

    def __init__(self, form: RowFormat, glossary: Glossary, symbols: Symbols | None = None) -> None:
        self._form = form
        self._glossary = glossary
        self._symbols = symbols
        self.columns = PROGRAM_COLUMNS if symbols is None else (*PROGRAM_COLUMNS, ROUTINE_COLUMN)
        self._csv = _Kind(csv_fields, ["," for _ in self.columns], "", 1)
        keys = [f',"{name}":' for name in self.columns]
        self._jsonl = _Kind(_json_fields, keys, "null", 2)

    def csv_header(self) -> bytes:
        """The line of column names."""
        return (",".join([*COLUMNS, *self.columns]) + "\n").encode()

    def csv(self, number: NDArray[np.int64], cycles: Cycles, compared: Compared, followed: Followed) -> Iterator[bytes]:
        """CSV lines of all rows, in pieces, as ``RowFormat.csv``."""
        yield from self._pieces(self._form.csv, self._csv, number, cycles, compared, followed)

    def jsonl(
        self, number: NDArray[np.int64], cycles: Cycles, compared: Compared, followed: Followed
    ) -> Iterator[bytes]:
        """JSON lines of all rows, in pieces; ``of`` is a number, the other columns texts, each null where empty."""
        yield from self._pieces(self._form.jsonl, self._jsonl, number, cycles, compared, followed)

    def _pieces(
        self,
        write: Callable[[NDArray[np.int64], Cycles, Compared], Iterator[bytes]],
        kind: _Kind,
        number: NDArray[np.int64],
        cycles: Cycles,
        compared: Compared,
        followed: Followed,
    ) -> Iterator[bytes]:
        from busledger.decoder.report.program_kernel import with_program

        copy: Callable[..., int] = with_program
        at = 0
        for piece in write(number, cycles, compared):
            text = np.frombuffer(piece, np.uint8)
            rows = piece.count(b"\n")
            some = followed.slice(at, at + rows)
            told = np.where(some.of < 0, 0, np.where(some.inferred, 2, 1)).astype(np.uint8)
            instruction, instruction_words = self._instructions(some.text, kind)
            routine, routine_words = self._routines(cycles.address[at : at + rows], some, kind)
            words = ProgramWords(kind.keys, kind.parts, kind.told, instruction_words, routine_words)
            longest = sum(int(np.diff(table.start).max(initial=0)) for table in words[1:]) + len(kind.keys.text)
            out = np.empty(len(text) + rows * (longest + _LONGEST_NUMBER), np.uint8)
            columns = ProgramColumns(some.of, some.part, told, instruction, routine)
            written = copy(text, kind.tail, columns, words, out)
            yield out[:written].tobytes()
            at += rows

    def _instructions(self, text: NDArray[np.int32], kind: _Kind) -> tuple[NDArray[np.intp], Words]:
        """(word of each row, the words): only the instructions that these rows show."""
        shown = np.unique(text[text >= 0])
        readings = self._glossary.readings
        texts = [plain(readings[k].text) for k in shown.tolist()]
        if self._symbols is not None:
            texts = [self._symbols.named(text, readings[k]) for text, k in zip(texts, shown.tolist(), strict=True)]
        where = np.searchsorted(shown, text) + 1
        where[text < 0] = 0
        return where, kind.table(texts)

    def _routines(self, address: NDArray[np.uint32], some: Followed, kind: _Kind) -> tuple[NDArray[np.intp], Words]:
        if self._symbols is None:
            return np.zeros(len(address), np.intp), kind.table([])
        at = np.where(some.text >= 0, address.astype(np.int64), -1)
        shown = np.unique(at[at >= 0])
        where = np.searchsorted(shown, at) + 1
        where[at < 0] = 0
        return where, kind.table([self._symbols.place(a) for a in shown.tolist()])


class _Kind:
    """Words of one format: CSV or JSON."""

    def __init__(
        self, fields: Callable[[Sequence[str]], list[str]], keys: Sequence[str], nothing: str, tail: int
    ) -> None:
        self._fields = fields
        self._nothing = nothing
        self.tail = tail
        self.keys = words_table([*keys, nothing])
        self.parts = self.table(PART_NAMES[1:])
        self.told = self.table(_TOLD[1:])

    def table(self, texts: Sequence[str]) -> Words:
        """Word 0 is nothing, word k the text k - 1."""
        return words_table([self._nothing, *self._fields(texts)])


def _json_fields(texts: Sequence[str]) -> list[str]:
    return [json.dumps(text) for text in texts]
