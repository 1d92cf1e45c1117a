"""The parts library: TOML data, each part read once when first asked for, found by any usual marking.

All of it takes 15 ms to read as TOML, and a card has four kinds of parts: what a part is called stands in lines of its
own at the head of its table, and only the tables of parts that are asked for are read further.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from importlib import resources
from itertools import pairwise
from typing import Any

from pydantic import ValidationError

from busledger.decoder.board.part_types import BufferPart, DecoderPart, Grade, MemoryPart, Part
from busledger.decoder.errors import BoardError
from busledger.decoder.text import plain

__all__ = ["Listed", "PartsLibrary", "library_tables", "listed_parts", "parts"]

_TABLE = re.compile(r"^\[\[(memory|decoder|buffer)\]\]$", re.MULTILINE)
_CALLED = re.compile(r'^(name|aliases) = "([^"]*)"$', re.MULTILINE)
_KINDS: dict[str, type[Part]] = {"memory": MemoryPart, "decoder": DecoderPart, "buffer": BufferPart}
_MAKER = re.compile(r"[A-Z]{1,4}(?=\d)")  # common practice: a maker's prefix has up to four letters
_TAIL = re.compile(r"(?P<letters>[A-Z]{0,4})(?P<speed>-\d{1,3})?(?P<package>[A-Z]{0,4})")


@dataclass(frozen=True)
class Listed:
    """One table of a file of the library, and the names that the part has."""

    file: str
    kind: str
    text: str
    name: str
    aliases: tuple[str, ...]

    @cached_property
    def part(self) -> Part:
        """The part itself. Raises BoardError if the table breaks the schema (a damaged installation)."""
        return _read(self.file, self.kind, library_tables(self.text)[self.kind][0])


class PartsLibrary:
    """Parts by name; iterating gives them in the order of the files.

    Whatever gives a part raises BoardError if its table breaks the schema (a damaged installation).
    """

    def __init__(self, found: list[Listed], prefixes: list[str], families: list[str]) -> None:
        self._parts = {part.name: part for part in found}
        keys = {_bare(key): part for part in found for key in (part.name, *part.aliases)}
        self._keys = dict(sorted(keys.items(), key=lambda named: len(named[0]), reverse=True))  # the longest wins
        self._prefixes = sorted(prefixes, key=len, reverse=True)
        self._families = families
        self._found = lru_cache(maxsize=4096)(self._look_up)  # a card has one part a thousand times

    def __iter__(self) -> Iterator[Part]:
        return (listed.part for listed in self._parts.values())

    def __len__(self) -> int:
        return len(self._parts)

    def names(self) -> tuple[str, ...]:
        """The library's own names, in the order of the files."""
        return tuple(self._parts)

    def get(self, name: str) -> Part:
        """The part that ``name`` means, in any usual marking (``SN74LS138N``, ``2114L-3``, ``MM2114N``).

        Raises BoardError with the nearest names where there is none.
        """
        return self.resolve(name)[0]

    def resolve(self, name: str) -> tuple[Part, Grade | None]:
        """The part, and the speed grade if the marking carries one (``2114-2``). Raises BoardError."""
        found = self._found(name)
        if found:
            return found
        near = self.nearest(name)
        raise BoardError(
            f'unknown part "{plain(name)}"',
            expected="a part of the library" + (f", such as {', '.join(near)}" if near else ""),
            hint="List the library with `busledger parts`.",
        )

    def nearest(self, name: str) -> list[str]:
        """Up to three library names that look most like ``name``, those of the same characters first (2141: 2114)."""
        keys = {key: part.name for key, part in self._keys.items()}
        near = [
            (sorted(key) != sorted(text), keys[key])
            for text in self._spellings(name)
            for key in difflib.get_close_matches(text, keys, n=8, cutoff=0.6)
        ]
        return list(dict.fromkeys(key for _, key in sorted(near, key=lambda found: found[0])))[:3]

    def _look_up(self, name: str) -> tuple[Part, Grade | None] | None:
        for text in self._spellings(name):
            found = self._match(text) or self._relative(text)
            if found:
                return found
        return None

    def _spellings(self, name: str) -> Iterator[str]:
        """``name`` without a maker's prefix, most literal first."""
        text = _bare(name)
        yield text
        for prefix in self._prefixes:
            if text.startswith(prefix):
                yield text.removeprefix(prefix)
        maker = _MAKER.match(text)
        if maker:
            yield text[maker.end() :]

    def _match(self, text: str) -> tuple[Part, Grade | None] | None:
        for key, listed in self._keys.items():
            if text.startswith(key) and (tail := _TAIL.fullmatch(text[len(key) :])):
                return listed.part, _grade_of(listed.part, key, tail)
        return None

    def _relative(self, text: str) -> tuple[Part, Grade | None] | None:
        """A part of another family with the same number, its delays left out."""
        for family in sorted(self._families[1:], key=len, reverse=True):
            if text.startswith(family):
                same = self._match(self._families[0] + text.removeprefix(family))
                if same:
                    return _without_delays(same[0], family), None
        return None


def _bare(name: str) -> str:
    return re.sub(r"[\s_./]", "", name.upper().replace("Μ", "U").replace("µ", "U"))


def _grade_of(part: Part, key: str, tail: re.Match[str]) -> Grade | None:
    if not isinstance(part, MemoryPart):
        return None
    version = "A" if tail["letters"].startswith("A") else ""
    for marking in (key, version + (tail["speed"] or ""), tail["speed"] or ""):
        for grade in part.grade_list:
            if marking and marking in grade.markings:
                return grade
    return None


def _without_delays(part: Part, family: str) -> Part:
    """The same table and pins in another family, of which the library knows no delays."""
    note = f"{family} family: the table and pin-out are those of {part.name}; no delays are known here"
    return part.model_copy(update={"delays": (), "notes": (*part.notes, note)})


@cache
def parts() -> PartsLibrary:
    """The library that comes with the program."""
    folder = resources.files("busledger.decoder.board") / "parts"
    found: list[Listed] = []
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            found += listed_parts(entry.name, entry.read_text(encoding="utf-8"))
    naming = library_tables((folder / "naming.toml").read_text(encoding="utf-8"))["naming"]
    return PartsLibrary(found, naming["prefixes"], naming["families"])


def listed_parts(file: str, text: str) -> Iterator[Listed]:
    """The parts of one of the library's files, in its order; ``text``: all of it."""
    heads = [*_TABLE.finditer(text)]
    places = [*(head.start() for head in heads), len(text)]
    for table, (begin, end) in zip(heads, pairwise(places), strict=True):
        mine = text[begin:end]
        head = dict(reversed(_CALLED.findall(mine)))  # the first of each name
        yield Listed(file, table[1], mine, head["name"], tuple(head.get("aliases", "").split()))


def library_tables(text: str) -> dict[str, Any]:
    """One of the library's TOML files; its sign for a source that was not at hand becomes words."""
    return tomllib.loads(text.replace("†", ", from memory"))


def _read(file: str, kind: str, row: dict[str, Any]) -> Part:
    try:
        return _KINDS[kind].model_validate(row)
    except (KeyError, ValidationError) as error:
        raise BoardError(
            f"{row.get('name', 'a part')}: {error}",
            where=f"parts library, {file}, [[{kind}]]",
            hint="The installation is damaged: install the program again.",
        ) from error
