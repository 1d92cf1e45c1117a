"""A kernel takes no more than a dozen arguments; what belongs together goes in a named tuple, so that no two can be
exchanged unseen."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
DOZEN = 12
KERNELS = sorted(
    path
    for package in ("bus_profiles", "captures_demo", "decoder", "tui")
    for path in (ROOT / package).rglob("*_kernel.py")
)


def too_many(source: str) -> list[tuple[str, int]]:
    """(function, arguments) of each function of ``source`` with more than a dozen of them."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef):
            given = node.args
            count = len(given.posonlyargs) + len(given.args) + len(given.kwonlyargs)
            if count > DOZEN or given.vararg is not None:
                found.append((node.name, count))
    return found


@pytest.mark.parametrize("path", KERNELS, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_kernel_takes_a_dozen_arguments_at_most(path: Path) -> None:
    assert too_many(path.read_text(encoding="utf-8")) == []


def test_the_test_sees_what_it_names() -> None:
    assert len(KERNELS) > 30
    thirteen = ", ".join(f"a{i}" for i in range(13))
    assert too_many(f"def kernel({thirteen}):\n    pass\n") == [("kernel", 13)]
    assert too_many("def kernel(*rows):\n    pass\n") == [("kernel", 0)]
