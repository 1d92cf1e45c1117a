"""Collects every mistake of a board file, and says them all at once, one a line."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from busledger.decoder.errors import BoardError
from busledger.decoder.text import plain

__all__ = ["Mistakes", "nearest", "shown"]

T = TypeVar("T", bound=BaseModel)
LONGEST_LINE = 1000
MOST_LOOKS = 100_000
"""Names compared for ``nearest`` in one file, some 10 us each: what is misspelt after that is told without them."""
NOTHING: Mapping[str, Any] = {}


def nearest(wanted: str, known: Iterable[str]) -> str:
    """``, such as X, Y`` with the names that look most like ``wanted``; empty if none does."""
    near = difflib.get_close_matches(wanted, list(known), n=3, cutoff=0.5)
    return f"; nearest: {', '.join(plain(n) for n in near)}" if near else ""


class Mistakes:
    """A list that becomes one BoardError."""

    def __init__(self, path: str) -> None:
        self._path = plain(path)
        self._lines: list[str] = []
        self._looks = MOST_LOOKS

    def add(self, table: str, key: str, found: str, expected: str) -> None:
        """One mistake: in which table, at which key, what was found, what was expected."""
        where = ", ".join(part for part in (self._path, table, key) if part)
        self._lines.append(plain(f"{where}: {found}; expected {expected}", LONGEST_LINE))

    def nearest(self, wanted: str, known: Collection[str]) -> str:
        """``nearest`` among names of this file, of which it may have thousands: empty once ``MOST_LOOKS`` are spent."""
        if self._looks <= 0:
            return ""
        self._looks -= len(known)
        return nearest(wanted, known)

    def __len__(self) -> int:
        return len(self._lines)

    def check(self, table: str, model: type[T], raw: Any, stand_ins: Mapping[str, Any] = NOTHING) -> T | None:
        """``raw`` as ``model``, every key that does not fit added as a mistake.

        Where it does not fit, what is left of it comes back, so that one mistake
        does not hide the next: wrong optional keys left out, wrong required ones
        replaced from ``stand_ins``; None where even that is not enough. A file
        with a mistake is refused in the end, so no stand-in reaches a result.
        """
        if not isinstance(raw, Mapping):
            self.add(table, "", f"found {shown(raw)}", "a table of keys and values")
            return None
        try:
            return model.model_validate(dict(raw))
        except ValidationError as error:
            wrong = {one["loc"][0] for one in error.errors(include_url=False) if one["loc"]}
            for one in error.errors(include_url=False):
                self._add_schema(table, model, one)
        kept = {key: value for key, value in raw.items() if key not in wrong}
        try:
            return model.model_validate({**{k: v for k, v in stand_ins.items() if k in wrong}, **kept})
        except ValidationError:
            return None

    def _add_schema(self, table: str, model: type[BaseModel], one: Any) -> None:
        key = ".".join(str(step) for step in one["loc"])
        kind, context = one["type"], one.get("ctx", {})
        if kind == "extra_forbidden":
            known = sorted(model.model_fields)
            self.add(table, plain(key), "no such key", f"one of {', '.join(known)}{nearest(key, known)}")
        elif kind == "missing":
            self.add(table, key, "the key is missing", _wanted(key) or "a value")
        elif kind == "value_error":
            self.add(table, plain(key), f"found {plain(str(context['error']))}", _wanted(key) or "a line's name")
        else:
            wanted = _wanted(key) or one["msg"].removeprefix("Input should be ")
            self.add(table, plain(key), f"found {shown(one['input'])}", wanted)

    def stop(self) -> None:
        """Raise BoardError if anything was added."""
        if self._lines:
            raise BoardError("\n".join(line.rstrip(".") + "." for line in self._lines))


_EXPECTED = {
    "lanes": 'lanes as "D0-D3", "D4" or ["D0", "D5"]',
    "start": "an address, such as 0x4000",
    "end": "the last address, inclusive, such as 0x43FF",
    "kind": "ram, rom or io",
    "chips": "a list of { designator, part, lanes }",
    "designator": 'what the card calls the part, such as "U1"',
    "part": 'a part of the library, such as "2114"',
    "name": "a name",
    "space": "memory, io or program",
    "select": "a line's name",
    "lines": 'a list of lines, such as ["A0", "A1"]',
    "serves": "a list of region names",
    "input": "volts at its input, such as 8.0",
    "output": "volts at its output, such as 5.0",
    "feeds": "a list of designators or region names",
    "image": "the path of a file, in quotes",
    "image_offset": "a number of bytes, 0 or more",
    "image_fill": "the byte that unprogrammed cells hold, 0 to 255, such as 0xFF",
    "table": "a list of numbers, one for each address of the PROM",
    "bus": "a profile's name, or the path of one",
    "inputs": 'pin = "line" pairs, such as { A = "A10" }',
    "outputs": 'pin = "line" pairs, such as { Y0 = "CS0" }',
    "to_cpu": "0 or 1",
    "active": "0 or 1",
    "line": "a line's name",
    "level": "0 or 1",
    "latch": "the latch's address, such as 0xC000",
    "mask": "the bits that count, such as 0x03",
    "value": "what these bits hold, such as 0x02",
    "mirror_of": "the name of a region of this file",
    "shared": "true or false",
    "result": "good, bad or replaced",
    "how": 'how it was found, such as "chip tester"',
}


def _wanted(key: str) -> str:
    """What a key wants, in the reader's words; empty where only the schema knows."""
    return _EXPECTED.get(key) or _EXPECTED.get(key.rpartition(".")[2], "")


def shown(value: Any) -> str:
    """A value from the file, made safe and short."""
    return plain(f'"{value}"' if isinstance(value, str) else repr(value), 60)
