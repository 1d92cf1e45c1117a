"""Collects every mistake of a board file, and says them all at once, one a line."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from decoder.errors import BoardError
from decoder.text import plain

__all__ = ["Mistakes", "nearest"]

T = TypeVar("T", bound=BaseModel)


def nearest(wanted: str, known: Iterable[str]) -> str:
    """``, such as X, Y`` with the names that look most like ``wanted``; empty if none does."""
    near = difflib.get_close_matches(wanted, list(known), n=3, cutoff=0.5)
    return f"; nearest: {', '.join(plain(n) for n in near)}" if near else ""


class Mistakes:
    """A list that becomes one BoardError."""

    def __init__(self, path: str) -> None:
        self._path = plain(path)
        self._lines: list[str] = []

    def add(self, table: str, key: str, found: str, expected: str) -> None:
        """One mistake: in which table, at which key, what was found, what was expected."""
        where = ", ".join(part for part in (self._path, table, key) if part)
        self._lines.append(f"{where}: {found}; expected {expected}")

    def __len__(self) -> int:
        return len(self._lines)

    def check(self, table: str, model: type[T], raw: Any) -> T | None:
        """``raw`` as ``model``; or None, with every key that does not fit added."""
        if not isinstance(raw, Mapping):
            self.add(table, "", f"found {_shown(raw)}", "a table of keys and values")
            return None
        try:
            return model.model_validate(dict(raw))
        except ValidationError as error:
            for one in error.errors(include_url=False):
                self._add_schema(table, model, one)
            return None

    def _add_schema(self, table: str, model: type[BaseModel], one: Any) -> None:
        key = ".".join(str(step) for step in one["loc"])
        kind, context = one["type"], one.get("ctx", {})
        if kind == "extra_forbidden":
            known = sorted(model.model_fields)
            self.add(table, plain(key), "no such key", f"one of {', '.join(known)}{nearest(key, known)}")
        elif kind == "missing":
            self.add(table, key, "the key is missing", _wanted(key))
        elif kind == "value_error":
            self.add(table, plain(key), f"found {plain(str(context['error']))}", _wanted(key))
        else:
            self.add(table, plain(key), f"found {_shown(one['input'])}", one["msg"].removeprefix("Input should be "))

    def stop(self) -> None:
        """Raise BoardError if anything was added."""
        if self._lines:
            raise BoardError("\n".join(line.rstrip(".") + "." for line in self._lines))


_EXPECTED = {
    "lanes": 'lanes as "D0-D3", "D4" or ["D0", "D5"]',
    "start": "an address, such as 0x4000",
    "end": "the last address, inclusive, such as 0x43FF",
    "kind": "ram, rom or io",
    "designator": 'what the card calls the part, such as "U1"',
    "part": 'a part of the library, such as "2114"',
    "name": "a name",
    "bus": "a profile's name, or the path of one",
    "inputs": 'pin = "line" pairs, such as { A = "A10" }',
    "outputs": 'pin = "line" pairs, such as { Y0 = "CS0" }',
    "to_cpu": "0 or 1",
    "active": "0 or 1",
    "line": "a line's name",
}


def _wanted(key: str) -> str:
    last = key.rpartition(".")[2]
    return _EXPECTED.get(key) or _EXPECTED.get(last) or ("a line's name" if "." in key else "a value")


def _shown(value: Any) -> str:
    return plain(f'"{value}"' if isinstance(value, str) else repr(value), 60)
