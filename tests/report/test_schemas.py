"""The published JSON schemas: valid themselves, true of every bundled file, and not blind."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from busledger.decoder.report import board_schema, profile_schema, result_schema
from tests.report.results import result

ROOT = Path(__file__).parents[2]
BOARDS = sorted((ROOT / "captures_demo").glob("*/board.toml"))
PROFILES = sorted((ROOT / "bus_profiles").glob("*.toml"))


def read(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def complaints(schema: dict[str, Any], data: dict[str, Any]) -> list[str]:
    return [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(data)]


SCHEMAS = {"board": board_schema(), "profile": profile_schema(), "result": result_schema()}


@pytest.mark.parametrize("schema", SCHEMAS.values(), ids=SCHEMAS)
def test_schema_is_a_schema(schema: dict[str, Any]) -> None:
    jsonschema.Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize("path", BOARDS, ids=lambda path: path.parent.name)
def test_bundled_boards_fit(path: Path) -> None:
    assert complaints(board_schema(), read(path)) == []


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_bundled_profiles_fit(path: Path) -> None:
    assert complaints(profile_schema(), read(path)) == []


def test_a_result_fits_and_place_and_parts_are_explained() -> None:
    shown = json.loads(result().to_json())
    assert complaints(result_schema(), shown) == []
    assert complaints(result_schema(), {**shown, "parts": [{"component": "U7"}]}) != []
    suspect, whole = result_schema()["$defs"]["Suspect"]["properties"], result_schema()["properties"]
    assert "alternatives" in suspect["place"]["description"] and "every part" in whole["parts"]["description"]


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("board", "bus", None),
        ("board", "colour", "green"),
        ("region", "kind", "flash"),
        ("region", "start", "4000"),
        ("region", "chips", [{"part": "2114", "lanes": "D0-D3"}]),
        ("decoder", "designator", 9),
        ("buffer", "direction", {"line": "RD", "to_cpu": 2}),
    ],
)
def test_mistakes_are_seen(table: str, key: str, value: Any) -> None:
    data = read(ROOT / "captures_demo" / "loom" / "board.toml")
    target = data[table] if table == "board" else data[table][0]
    if value is None:
        del target[key]
    else:
        target[key] = value
    assert len(complaints(board_schema(), data)) == 1
