"""Bus profiles: how a family of bus encodes its cycles, as TOML.

The tables of a profile are described in ``bus_profiles/WRITING.md``; the models are
in ``schema.py``. A profile is looked up by name in ``bus_profiles/`` or read from a path.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources
from pathlib import Path

from pydantic import ValidationError

from busledger.decoder.bus.columns import Kind
from busledger.decoder.bus.mistakes import mistakes
from busledger.decoder.bus.ranges import line_names
from busledger.decoder.bus.schema import (
    AddressSource,
    ClockEntry,
    DataSource,
    Grade,
    LatchEntry,
    Limit,
    LineEntry,
    ProfileFile,
    RuleEntry,
    StrobeEntry,
)
from busledger.decoder.errors import ProfileError
from busledger.decoder.text import plain
from busledger.decoder.toml_text import read_toml_bytes, toml_tables
from busledger.decoder.wiring import LineNeed

__all__ = ["Line", "Profile", "check_profile", "line_needs", "load_profile", "profile_from_text", "profile_names"]

_LONGEST_MISTAKE = 2000  # characters of one sentence


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a bus. ``default_level`` is the level (0, 1) an unwired line is taken for, None = unknown;
    ``marked``: people read it with the mark of an active-low line."""

    name: str
    role: str
    active_low: bool
    required: bool
    default_level: int | None
    aliases: tuple[str, ...]
    fallback: str | None
    meaning: str
    marked: bool


@dataclass(frozen=True)
class Profile:
    """A checked profile. Rules keep their order: ``Cycles.rule`` indexes ``rules``."""

    file: ProfileFile
    path: str

    @property
    def name(self) -> str:
        return self.file.name

    @property
    def title(self) -> str:
        return self.file.title

    @property
    def family(self) -> str:
        return self.file.family

    @property
    def checked(self) -> str:
        """What decoding with this profile was checked against, in words."""
        return self.file.checked

    @property
    def address_bits(self) -> int:
        return self.file.address_bits

    @property
    def data_bits(self) -> int:
        return self.file.data_bits

    @property
    def even_byte(self) -> str:
        """Where the byte of an even address is: "low" (D0-D7) or "high" (the topmost lanes)."""
        return self.file.even_byte

    @property
    def strobes(self) -> tuple[StrobeEntry, ...]:
        return self.file.strobe

    @property
    def latches(self) -> tuple[LatchEntry, ...]:
        return self.file.latch

    @property
    def rules(self) -> tuple[RuleEntry, ...]:
        return self.file.rule

    @property
    def addresses(self) -> tuple[AddressSource, ...]:
        return self.file.address

    @property
    def datas(self) -> tuple[DataSource, ...]:
        return self.file.data

    @property
    def grades(self) -> tuple[Grade, ...]:
        return self.file.grade

    @property
    def spellings(self) -> frozenset[str]:
        """The names of all lines, their other trade names, and the pins that tell nothing of the bus."""
        named = {name for line in self.lines.values() for name in (line.name, *line.aliases)}
        return frozenset(named | set(self.file.pins))

    @cached_property
    def marked(self) -> tuple[str, ...]:
        """The lines that people read as active low; address and data lines are called by their bit alone."""
        return tuple(name for name, line in self.lines.items() if line.marked)

    @cached_property
    def driven(self) -> frozenset[str]:
        """Lines that the bus's master drives: no part of a card may. Empty for the pins of a chip, which the card
        drives."""
        if self.file.family == "chip":
            return frozenset()
        return frozenset(line.name for line in self.lines.values() if line.role not in ("wait", "grant", "data"))

    @property
    def clock(self) -> ClockEntry:
        return self.file.clock

    @property
    def never_compared(self) -> tuple[str, ...]:
        """What of this bus the ledger never compares, in words."""
        return self.file.never_compared

    @cached_property
    def lines(self) -> Mapping[str, Line]:
        """Every single line by name, in the order of the file."""
        return {line.name: line for entry in self.file.line for line in _expand(entry)}

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """The kinds of cycle this profile can give, in the order of ``Kind``."""
        used = {rule.kind for rule in self.rules}
        return tuple(k.name.lower().replace("_", "-") for k in Kind if k.name.lower().replace("_", "-") in used)

    def space(self, rule: int) -> str:
        """The address space of rule ``rule``: memory, io or program."""
        entry = self.rules[rule]
        if entry.space is not None:
            return entry.space
        return "io" if entry.kind in ("io-read", "io-write") else "memory"

    def compares(self, rule: int) -> bool:
        """Whether data of rule ``rule`` may enter or be held against the ledger."""
        entry = self.rules[rule]
        if entry.compare is not None:
            return entry.compare
        return entry.kind in ("read", "write", "opcode-fetch", "dma-read", "dma-write")

    def limits(self, grade: str | None = None) -> tuple[Limit, ...]:
        """The figures of one grade (by name, any case), of all grades when None."""
        if grade is None:
            return tuple(limit for g in self.grades for limit in g.limits)
        return self.grade(grade).limits

    def grade(self, name: str) -> Grade:
        """The grade called ``name``, any case.

        Raises
        ------
        ProfileError
            With the grades there are.
        """
        for grade in self.grades:
            if grade.name.casefold() == name.casefold():
                return grade
        raise ProfileError(
            f"there is no speed grade '{plain(name)}' in profile {self.name}",
            expected=", ".join(g.name for g in self.grades) or "none: this profile gives no figures",
        )


def _expand(entry: LineEntry) -> list[Line]:
    names = line_names(entry.name)
    aliases = [line_names(alias) for alias in entry.aliases]
    fallback = line_names(entry.fallback) if entry.fallback else ()
    low = entry.active == "low"
    level = {"unknown": None, "asserted": int(not low), "not asserted": int(low)}[entry.default]
    return [
        Line(
            name=name,
            role=entry.role,
            active_low=low,
            required=entry.need == "required",
            default_level=level,
            aliases=tuple(alias[i] for alias in aliases),
            fallback=fallback[i] if fallback else None,
            meaning=entry.meaning,
            marked=low and entry.marked and entry.role not in ("address", "data"),
        )
        for i, name in enumerate(names)
    ]


def line_needs(profile: Profile, extra: Sequence[str] = (), *, any_subset: bool = False) -> list[LineNeed]:
    """What the wiring must find: the profile's lines, then ``extra`` lines of a board and the processor's other pins
    (all optional, no warning).

    At least one address line and one data line must be there, unless ``any_subset``; the others may be missing.
    """
    carried = {n for source in profile.addresses for piece in source.pieces for n in line_names(piece.lines)}
    # Where the data lines carry an address too, they are enough.
    shared = any(profile.lines[n].role == "data" for n in carried)
    groups = () if any_subset else ("data",) if shared else ("address", "data")
    needs = [
        LineNeed(
            line.name,
            line.required,
            line.aliases,
            group=line.role if line.role in groups and _unknown_alone(line) else None,
            if_missing=_missing_text(line),
            low=line.marked,
        )
        for line in profile.lines.values()
    ]
    known = set(profile.lines)
    more = dict.fromkeys((*extra, *profile.file.pins))
    needs.extend(LineNeed(name, False, (), quiet=True) for name in more if name not in known)
    return needs


def _unknown_alone(line: Line) -> bool:
    """Whether nothing stands in for the line when it is not wired."""
    return line.fallback is None and line.default_level is None


def _missing_text(line: Line) -> str:
    if line.fallback:
        return f"taken from {line.fallback}"
    if line.default_level is None:
        return "unknown"
    return f"taken as {'high' if line.default_level else 'low'}"


def profile_names() -> tuple[str, ...]:
    """The names of the bundled profiles, sorted."""
    folder = resources.files("busledger.bus_profiles")
    return tuple(sorted(p.name[: -len(".toml")] for p in folder.iterdir() if p.name.endswith(".toml")))


@lru_cache(maxsize=64)
def load_profile(name_or_path: str | Path) -> Profile:
    """The bundled profile of that name, or the one at that path.

    Raises
    ------
    ProfileError
        There is none (with the nearest names), or it breaks the schema (with every mistake, one a line).
    """
    text = str(name_or_path)
    if text.casefold() in profile_names():
        source = resources.files("busledger.bus_profiles") / f"{text.casefold()}.toml"
        return profile_from_text(source.read_text(encoding="utf-8"), f"bus_profiles/{text.casefold()}.toml")
    path = Path(text)
    if path.suffix == ".toml" or path.exists():
        return profile_from_text(_read(path), text)
    near = difflib.get_close_matches(text.casefold(), profile_names(), n=3, cutoff=0.4)
    raise ProfileError(
        f"there is no bus profile '{plain(text)}'",
        expected="one of " + ", ".join(profile_names()),
        hint=(f"Did you mean {' or '.join(near)}? " if near else "") + "A path ending in .toml reads one of your own.",
    )


def _read(path: Path) -> str:
    try:
        return read_toml_bytes(path).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ProfileError(
            f"the profile cannot be read ({plain(str(error))})", where=plain(str(path)), expected="a TOML file in UTF-8"
        ) from error


def profile_from_text(text: str, where: str) -> Profile:
    """The profile that ``text`` holds; ``where`` names it in messages.

    Raises
    ------
    ProfileError
        With every mistake found, one a line.
    """
    found, file = _parsed(text)
    if file is None or found:
        listed = "\n  - ".join(plain(line, _LONGEST_MISTAKE) for line in found)
        raise ProfileError(
            f"the profile has {len(found)} mistake{'s' if len(found) != 1 else ''}:\n  - {listed}\n", where=plain(where)
        )
    return Profile(file, where)


def check_profile(path: str | Path) -> list[str]:
    """Every mistake of the profile at ``path``, one sentence each; empty when it is right.

    Raises
    ------
    ProfileError
        Only when the file cannot be read at all.
    """
    return _parsed(_read(Path(path)))[0]


def _parsed(text: str) -> tuple[list[str], ProfileFile | None]:
    try:
        raw = toml_tables(text)
    except tomllib.TOMLDecodeError as error:
        return [f"not TOML: {plain(str(error))}"], None
    try:
        file = ProfileFile.model_validate(raw)
    except ValidationError as error:
        return [_sentence(e["loc"], e["msg"], e["input"], e["type"], raw) for e in error.errors()], None
    return mistakes(file), file


def _sentence(loc: Sequence[int | str], message: str, value: object, kind: str, raw: Mapping[str, object]) -> str:
    """One pydantic complaint as: which table, which key, what was found, what was expected."""
    key = ".".join(str(part) if isinstance(part, str) else f"#{part + 1}" for part in loc)
    entry: object = raw
    named = ""
    for part in loc:
        try:
            entry = entry[part]  # type: ignore[index]
        except (KeyError, IndexError, TypeError):
            break
        if isinstance(entry, dict) and isinstance(entry.get("name"), str):
            named = f" ({plain(entry['name'], 40)})"
    if kind == "missing":
        return f"{plain(key)}{named}: this key is missing"
    if kind == "extra_forbidden":
        return f"{plain(key)}{named}: this key is not known"
    return f"{plain(key)}{named}: found {plain(repr(value), 60)}; {plain(message)}"
