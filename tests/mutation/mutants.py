"""The mutants of ``mutants.toml``: each a change that a slip of the hand could make, and the tests that must see it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import NamedTuple

__all__ = ["MUTANTS", "Mutant"]


class Mutant(NamedTuple):
    """``old`` stands once in ``file`` and becomes ``new``; ``tests``: pytest's arguments, the quick ones first;
    ``why``: what would be wrong; ``compiled``: run these tests with compiled kernels."""

    file: str
    old: str
    new: str
    tests: str
    why: str
    compiled: bool = False


def _mutants() -> tuple[Mutant, ...]:
    told = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    named: dict[str, str] = told["tests"]
    return tuple(
        Mutant(
            file["path"], one["old"], one["new"], named.get(file["tests"], file["tests"]), one["why"],
            file.get("compiled", False),
        )
        for file in told["file"]
        for one in file["mutant"]
    )  # fmt: skip


MUTANTS = _mutants()
