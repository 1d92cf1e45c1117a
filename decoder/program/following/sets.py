"""Every processor whose instructions are known, by name and by bus."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from importlib import resources

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
    return tuple(sorted(_files()))


@lru_cache(maxsize=16)
def load_set(name: str) -> AnySet:
    """The instructions of processor ``name``.

    Raises
    ------
    UsageError
        There is no such table, with the names there are.
    """
    files = _files()
    found = {key.casefold(): file for key, file in files.items()}.get(name.casefold())
    if found is None:
        raise UsageError(
            f"there is no table of instructions for the processor '{plain(name)}'", expected=", ".join(sorted(files))
        )
    return wide_set(found) if found.units != "bytes" else built(found)


def set_of_profile(profile: str) -> AnySet | None:
    """The processor that a bus belongs to; None where no table says that it is its own."""
    for name, file in sorted(_files().items()):
        if profile in file.profiles:
            return load_set(name)
    return None


@lru_cache(maxsize=1)
def _files() -> Mapping[str, SetFile]:
    folder = resources.files("busledger.decoder.program.following") / "tables"
    texts = [entry.read_text(encoding="utf-8") for entry in folder.iterdir() if entry.name.endswith(".toml")]
    files = [SetFile.model_validate(toml_tables(text)) for text in texts]
    return {file.name: file for file in files}
