"""Every processor whose instructions are known, by name and by bus."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources
from typing import NamedTuple

from busledger.decoder.errors import UsageError
from busledger.decoder.program.following.instructions import InstructionSet, built
from busledger.decoder.program.following.schema import SetFile
from busledger.decoder.program.following.wide_set import WideSet, wide_set
from busledger.decoder.text import plain
from busledger.decoder.toml_text import toml_tables

__all__ = ["AnySet", "load_set", "set_names", "set_of_profile"]

AnySet = InstructionSet | WideSet


def set_names() -> tuple[str, ...]:
    """Every processor with a table, sorted."""
    return tuple(sorted(_heads()))


@lru_cache(maxsize=16)
def load_set(name: str) -> AnySet:
    """The instructions of processor ``name``.

    Raises
    ------
    UsageError
        There is no such table, with the names there are.
    """
    heads = _heads()
    found = {key.casefold(): head.text for key, head in heads.items()}.get(name.casefold())
    if found is None:
        raise UsageError(
            f"there is no table of instructions for the processor '{plain(name)}'", expected=", ".join(sorted(heads))
        )
    file = SetFile.model_validate(toml_tables(found))
    return wide_set(file) if file.units != "bytes" else built(file)


def set_of_profile(profile: str) -> AnySet | None:
    """The processor that a bus belongs to; None where no table says that it is its own."""
    for name, head in sorted(_heads().items()):
        if profile in head.profiles:
            return load_set(name)
    return None


class _Head(NamedTuple):
    """What the keys before a table's first section say: ``profiles``, whose processor it is; ``text``: all of it."""

    profiles: frozenset[str]
    text: str


@lru_cache(maxsize=1)
def _heads() -> Mapping[str, _Head]:
    """By name; most tables are never read further."""
    folder = resources.files("busledger.decoder.program.following") / "tables"
    found = {}
    for entry in folder.iterdir():
        if entry.name.endswith(".toml"):
            text = entry.read_text(encoding="utf-8")
            head = toml_tables(text.partition("\n[")[0])
            found[str(head["name"])] = _Head(frozenset(head.get("profiles", ())), text)
    return found
