"""The house stands on its floors: every import points down, and heavy or special things stay where they belong."""

from __future__ import annotations

import ast
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOUSE = "busledger"
PACKAGES = ("bus_profiles", "captures_demo", "decoder", "tui")

# Lowest first; modules on one floor know nothing of each other.
FLOORS: tuple[tuple[str, ...], ...] = (
    (
        "busledger.decoder.inner_kernel",
        "busledger.decoder.kernel_garbage",
        "busledger.decoder.kernel_instead",
    ),
    (
        "busledger.decoder.kernel_loading",
        "busledger.decoder.kernel_passes",
        "busledger.decoder.kernel_shortcuts",
        "busledger.decoder.kernel_skips",
    ),
    (
        "busledger.decoder.bits_kernel",
        "busledger.decoder.errors",
        "busledger.decoder.heap",
        "busledger.decoder.kernel_caches",
        "busledger.decoder.kernel_forgiving",
        "busledger.decoder.text",
        "busledger.decoder.progress",
        "busledger.decoder.special_functions",
        "busledger.decoder.toml_text",
    ),
    (
        "busledger.decoder.durations",
        "busledger.decoder.figures",
        "busledger.decoder.findings",
        "busledger.decoder.marks",
    ),
    ("busledger.decoder.capture", "busledger.decoder.errors_list"),
    ("busledger.decoder.wiring",),
    ("busledger.decoder.bus",),
    ("busledger.decoder.board",),
    ("busledger.decoder.program.exercises",),
    ("busledger.decoder.ledger",),
    ("busledger.decoder.store.layout",),
    ("busledger.decoder.store.reading",),
    ("busledger.decoder.store.writer",),
    ("busledger.decoder.store.cache",),
    ("busledger.decoder.store",),
    (
        "busledger.decoder.checks.lines",
        "busledger.decoder.checks.placing",
        "busledger.decoder.checks.results",
        "busledger.decoder.checks.span_kernel",
    ),
    ("busledger.decoder.checks.windows",),
    (
        "busledger.decoder.checks.selects",
        "busledger.decoder.checks.buffers",
        "busledger.decoder.checks.timing",
        "busledger.decoder.checks.probes",
        "busledger.decoder.checks.sets",
    ),
    ("busledger.decoder.checks",),
    ("busledger.decoder.diagnosis.cells", "busledger.decoder.diagnosis.statistics"),
    ("busledger.decoder.diagnosis.coverage",),
    ("busledger.decoder.diagnosis.evidence",),
    ("busledger.decoder.diagnosis.replay",),
    ("busledger.decoder.diagnosis.faults",),
    ("busledger.decoder.diagnosis.rivals",),
    ("busledger.decoder.diagnosis.intermittence",),
    ("busledger.decoder.diagnosis",),
    ("busledger.decoder.program.following",),
    ("busledger.decoder.program",),
    ("busledger.decoder.planning",),
    ("busledger.decoder.report",),
    ("busledger.decoder.pipeline",),
    ("busledger.decoder.watching",),
    ("busledger.decoder",),
    ("busledger.captures_demo",),
    ("busledger.tui",),
)
CALL_THE_ENGINE = ("busledger.captures_demo.accuracy", "busledger.captures_demo.small_analyser")  # they measure it
ROOMS = ("busledger.decoder.program.following", "busledger.decoder.program.exercises")  # each has a door of its own
KERNEL_IMPORTS = {"numpy", "numba", "math", "typing", "__future__"}


def modules() -> list[Path]:
    return sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))


def dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join([HOUSE, *(parts[:-1] if parts[-1] == "__init__" else parts)])


def imports(path: Path) -> Iterator[tuple[int, str]]:
    """Line and full dotted name of everything the file imports, also inside functions."""
    name = dotted(path)
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, *([node.module] if node.module else [])])
            yield node.lineno, base
            for alias in node.names:
                if is_module(f"{base}.{alias.name}"):
                    yield node.lineno, f"{base}.{alias.name}"


def is_module(name: str) -> bool:
    house, *below = name.split(".")
    if house != HOUSE or not below:
        return False
    place = ROOT.joinpath(*below)
    return place.with_suffix(".py").is_file() or (place / "__init__.py").is_file()


def floor(name: str) -> int | None:
    """Number of the floor that a module of ours stands on; the longest matching prefix decides."""
    best: tuple[int, int] | None = None
    for number, members in enumerate(FLOORS):
        for member in members:
            if (name == member or name.startswith(member + ".")) and (best is None or len(member) > best[0]):
                best = (len(member), number)
    return None if best is None else best[1]


def member(name: str) -> str:
    return next(m for m in FLOORS[floor(name) or 0] if name == m or name.startswith(m + "."))


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_imports_point_down(path: Path) -> None:
    own, here = dotted(path), floor(dotted(path))
    wrong = []
    for line, name in imports(path):
        there = floor(name)
        if here is None or there is None or name.split(".")[0] != HOUSE:
            continue
        if there > here or (there == here and member(name) != member(own)):
            wrong.append(f"{own}:{line} imports {name}, which is not below it")
    assert wrong == []


@pytest.mark.parametrize("path", modules(), ids=dotted)
def test_other_packages_come_in_by_the_door(path: Path) -> None:
    """``busledger.decoder.bus`` may be imported from outside, ``busledger.decoder.bus.extractor`` not.

    Plain columns and the models of files (``columns``, ``schema``) count as part of the door.
    """
    own = dotted(path).split(".")
    wrong = []
    for line, name in imports(path):
        parts = name.split(".")
        room = next((room for room in ROOMS if name == room or name.startswith(room + ".")), None)
        depth = 3 if room is None else len(room.split("."))
        inner = parts[:2] == [HOUSE, "decoder"] and len(parts) > depth and is_module(name)
        if inner and parts[:3] != own[:3] and parts[depth:] not in (["columns"], ["schema"]):
            wrong.append(f"{dotted(path)}:{line} reaches into {name}")
    assert wrong == []


@pytest.mark.parametrize("path", [p for p in modules() if p.stem.endswith("_kernel")], ids=dotted)
def test_kernels_import_nothing_of_ours_but_kernels_beside_them_or_above(path: Path) -> None:
    above = [folder for folder in path.parents if folder.is_relative_to(ROOT) and folder != ROOT]
    beside = {dotted(other) for folder in above for other in folder.glob("*_kernel.py")}
    beside |= {dotted(folder / "__init__.py") for folder in above}
    assert {name for _, name in imports(path) if name.split(".")[0] not in KERNEL_IMPORTS} <= beside


@pytest.mark.parametrize("path", [p for p in modules() if p.stem.endswith("_kernel")], ids=dotted)
def test_kernels_never_raise(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert [node.lineno for node in ast.walk(tree) if isinstance(node, ast.Raise | ast.Assert)] == []


@pytest.mark.parametrize("path", [p for p in modules() if p.stem.endswith("_kernel")], ids=dotted)
def test_kernels_are_listed_for_the_type_checker(path: Path) -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mypy"]["overrides"]
    assert dotted(path) in {name for table in settings for name in table["module"]}


def test_what_stays_apart() -> None:
    wrong = []
    for path in modules():
        own = dotted(path)
        for line, name in imports(path):
            top = name.split(".")[0]
            if top == "typer" and not own.startswith("busledger.tui.commands"):
                wrong.append(f"{own}:{line}: typer belongs to tui.commands")
            if own.startswith("decoder") and top in ("tui", "captures_demo"):
                wrong.append(f"{own}:{line}: the engine knows nothing of {top}")
            if own.startswith("captures_demo") and top == "decoder" and own not in CALL_THE_ENGINE:
                wrong.append(f"{own}:{line}: the virtual card shares no code with the engine")
    assert wrong == []


def data_names() -> set[str]:
    """Names of the bundled buses and parts, as their files give them."""
    names = {path.stem for path in (ROOT / "bus_profiles").glob("*.toml")}
    for path in (ROOT / "decoder" / "board" / "parts").glob("*.toml"):
        names |= set(_names(tomllib.loads(path.read_text(encoding="utf-8"))))
    return {name.casefold() for name in names}


def _names(table: object) -> Iterator[str]:
    if isinstance(table, dict):
        if isinstance(table.get("name"), str):
            yield table["name"]
        for value in table.values():
            yield from _names(value)
    elif isinstance(table, list):
        for value in table:
            yield from _names(value)


def test_no_code_asks_for_a_bus_or_part_by_name() -> None:
    """Buses and parts are data: no comparison, case or lookup table in the engine holds one of their names."""
    names = data_names()
    assert names
    wrong = []
    for path in modules():
        if not path.is_relative_to(ROOT / "decoder") and not path.is_relative_to(ROOT / "tui"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            asked: list[ast.expr | None] = []
            if isinstance(node, ast.Compare):
                asked = [node.left, *node.comparators]
                asked += [e for c in node.comparators if isinstance(c, ast.Tuple | ast.List | ast.Set) for e in c.elts]
            elif isinstance(node, ast.MatchValue):
                asked = [node.value]
            elif isinstance(node, ast.Dict):
                asked = list(node.keys)
            for value in asked:
                if isinstance(value, ast.Constant) and isinstance(value.value, str) and value.value.casefold() in names:
                    wrong.append(f"{dotted(path)}:{value.lineno} asks for {value.value!r}")
    assert wrong == []
