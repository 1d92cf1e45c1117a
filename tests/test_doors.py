"""What a package exports is its ``__all__``: in order, real, and nothing else of ours without an underscore."""

from __future__ import annotations

import ast
import importlib
import pkgutil
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("bus_profiles", "captures_demo", "decoder", "tui")
DOORS = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("__init__.py"))


def dotted(path: Path) -> str:
    return ".".join(["busledger", *path.parent.relative_to(ROOT).parts])


def order(name: str) -> tuple[int, str]:
    """Constants, then classes, then functions, each by the alphabet: the order that the linter keeps."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)


def exposed(tree: ast.Module) -> set[str]:
    """Names that the door binds to something of ours: imports from our packages, definitions, constants."""
    names: set[str] = set()
    for node in tree.body:
        if isinstance(node, ast.ImportFrom) and (node.level or (node.module or "").split(".")[0] == "busledger"):
            names |= {alias.asname or alias.name for alias in node.names}
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            names.add(node.name)
        elif isinstance(node, ast.Assign):
            names |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    return {name for name in names if not name.startswith("_")}


@pytest.mark.parametrize("path", DOORS, ids=dotted)
def test_door_exports_exactly_what_it_lists(path: Path) -> None:
    door = importlib.import_module(dotted(path))
    listed = list(getattr(door, "__all__", []))
    assert listed == sorted(set(listed), key=order)
    assert exposed(ast.parse(path.read_text(encoding="utf-8"))) <= set(listed)
    assert [name for name in listed if not hasattr(door, name)] == []


@pytest.mark.parametrize("room", ["pipeline", "planning", "program"])
def test_no_name_of_a_door_that_opens_late_is_also_a_module_behind_it(room: str) -> None:
    """Python puts a module that was imported into its package under its name, before anything is looked up there."""
    door = importlib.import_module(f"busledger.decoder.{room}")
    behind = {module.name for module in pkgutil.iter_modules(door.__path__)}
    assert door.__all__ and not behind.intersection(door.__all__)
