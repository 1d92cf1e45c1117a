"""Active-low lines as the trade writes them for people: ``/RD``.

Files, options and the names in JSON keep the contract's unmarked names; sentences, tables and pictures have the mark.
Which lines are active low the profile and the board file say; a result carries their names (``active_low``), so that
whatever shows it can mark the names that stand in its tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from pydantic import BaseModel

__all__ = ["Marks", "marked"]

R = TypeVar("R", bound=BaseModel)

_QUOTED = re.compile(r"(`[^`]*`|\"[^\"]*\"|'[^']*')")
# What holds a name of somebody else's choice, whatever it looks like.
_NAMES = frozenset(
    {"active_low", "board", "capture", "channel", "code", "command", "component", "designator", "name", "other_region",
     "part", "path", "profile", "proposed_wiring", "region", "schema_", "source", "title"}
)  # fmt: skip

_WITHOUT_WORDS = frozenset({type(None), bool, int, float})
# What holds lines: marked where they are shown, never in JSON. "clips" are words for a sentence (``faults.saying``).
_LINES = frozenset(
    {"clip", "clips", "inputs", "lanes", "line", "lines", "not_clipped", "outputs", "select"}
)  # fmt: skip


class Marks:
    """Puts the mark before the lines of ``low``; before others, and where a mark stands already, nothing."""

    def __init__(self, low: Iterable[str] = ()) -> None:
        self.low = tuple(sorted(set(low)))
        words = "|".join(map(re.escape, sorted(self.low, key=len, reverse=True)))
        self._any = re.compile(words)
        self._word = re.compile(rf"(?<![\w/~!#*.\[])(?<![^\d]-)({words})(?![\w#*~\[])") if words else None

    def name(self, line: str) -> str:
        """``/RD`` for ``RD``."""
        return f"/{line}" if line in self.low else line

    def text(self, sentence: str) -> str:
        """A sentence with its lines marked; what stands in quotes is to be typed, or a channel's own name."""
        if self._word is None or not self._any.search(sentence):  # to look takes a tenth of the time
            return sentence
        pieces = _QUOTED.split(sentence)
        pieces[::2] = [self._word.sub(r"/\1", piece) for piece in pieces[::2]]
        return "".join(pieces)

    def said(self, result: R) -> R:
        """A result whose sentences have the marks, and which carries ``active_low``; its names stay as they are."""
        return self._in(result, names=False).model_copy(update={"active_low": self.low}) if self.low else result

    def shown(self, result: R) -> R:
        """A result for a table or a picture: its lines have the mark as well."""
        return self._in(result, names=True) if self.low else result

    def _in(self, model: R, *, names: bool) -> R:
        fields = type(model).model_fields
        changed = {f: self._value(f, getattr(model, f), names) for f in fields if f not in _NAMES}
        changed = {f: new for f, new in changed.items() if new is not getattr(model, f)}
        return model.model_copy(update=changed) if changed else model

    def _value(self, key: str, value: Any, names: bool) -> Any:
        """The value with its lines marked; the same object where there is nothing to mark."""
        if type(value) in _WITHOUT_WORDS:  # most of a result; to ask whether it is a mapping takes long
            return value
        if isinstance(value, str):
            marked = self.text(value) if " " in value else self.name(value) if key in _LINES and names else value
            return value if marked == value else marked
        if isinstance(value, BaseModel):
            return self._in(value, names=names)
        if isinstance(value, Mapping):
            items = {k: v if k in _NAMES else self._value(k, v, names or k == "clips") for k, v in value.items()}
            return items if any(items[k] is not v for k, v in value.items()) else value
        if type(value) in (list, tuple):
            entries = [self._value(key, v, names) for v in value]
            return type(value)(entries) if any(a is not b for a, b in zip(entries, value, strict=True)) else value
        return value


def marked(result: R) -> R:
    """``Marks.shown`` by the active-low lines that the result itself carries."""
    return Marks(getattr(result, "active_low", ())).shown(result)
