"""What is installed is what is here: a package that pyproject.toml does not list is missing from every wheel."""

from __future__ import annotations

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_every_package_is_listed() -> None:
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    tops = ("bus_profiles", "captures_demo", "decoder", "tui")
    here = {path.parent.relative_to(ROOT) for top in tops for path in (ROOT / top).rglob("__init__.py")}
    found = {".".join(["busledger", *path.parts]) for path in here}
    assert found == {name for name in listed if name != "busledger"}
