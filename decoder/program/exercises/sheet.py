"""Rows in order, then addresses for their labels, then their bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from busledger.decoder.program.exercises.columns import Line
from busledger.decoder.program.exercises.rows import Row, fill_row, spoken_row
from busledger.decoder.program.exercises.schema import ProcessorFile

__all__ = ["Scope", "Sheet"]

Scope = dict[str, int]
"""Labels of one fragment, loop or pair of loops, and where they came to lie."""


@dataclass(frozen=True, slots=True)
class _Item:
    row: Row
    scopes: tuple[Scope, ...]
    figures: Mapping[str, int]
    words: tuple[tuple[str, str], ...]
    times: int
    code: bool


@dataclass
class Sheet:
    """A program in the making. Labels in capitals are the whole program's, others a fragment's or a loop's own."""

    processor: ProcessorFile
    labels: Scope = field(default_factory=dict)
    _items: list[_Item] = field(default_factory=list)

    def put(
        self,
        rows: Sequence[Row],
        figures: Mapping[str, int],
        *,
        scopes: Sequence[Scope] = (),
        words: tuple[tuple[str, str], ...] = (),
        times: int = 1,
        code: bool = True,
    ) -> None:
        """Add a fragment: ``figures`` fill its holes, ``scopes`` (innermost first) lend it labels, a pass goes through
        it ``times`` times."""
        own: Scope = {}
        for row in rows:
            self._items.append(_Item(row, (own, *scopes, self.labels), figures, words, times, code))

    def label(self, name: str, scope: Scope) -> None:
        """A label here, in ``scope``."""
        self._items.append(_Item(Row(name, (), "", 0, ""), (scope,), {}, (), 0, True))

    @property
    def size(self) -> int:
        """Bytes."""
        return sum(item.row.size for item in self._items)

    @property
    def clocks(self) -> int:
        """Of one pass."""
        return sum(item.row.clocks * item.times for item in self._items)

    def asks(self, name: str) -> bool:
        """Whether any row needs the figure or label ``name``."""
        return any(name in item.row.asks for item in self._items)

    def lines(self, origin: int) -> tuple[Line, ...]:
        """The program at ``origin``; labels are set on the way. OutOfReach where a relative branch goes too far."""
        at = origin
        for item in self._items:
            name = item.row.label
            if name:
                scope = self.labels if name.isupper() or name[:1].isupper() else item.scopes[0]
                scope[name] = at
            at += item.row.size
        made: list[Line] = []
        at, shown = origin, ""
        high_first = self.processor.word_order == "high first"
        bits = self.processor.address_bits
        for item in self._items:

            def value(name: str, item: _Item = item) -> int:
                if name in item.figures:
                    return item.figures[name]
                return next(scope[name] for scope in item.scopes if name in scope)

            if item.row.label.isupper():
                shown = item.row.label
            if not item.row.parts:
                continue
            data = fill_row(item.row, at, value, high_first=high_first, bits=bits)
            said = [spoken_row(text, value, self.processor.number, item.words, bits)
                    for text in (item.row.mnemonic, item.row.comment)]  # fmt: skip
            made.append(Line(at, data, shown, said[0], said[1], item.code))
            at, shown = at + len(data), ""
        return tuple(made)
