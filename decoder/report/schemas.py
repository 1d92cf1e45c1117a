"""JSON schemas of the files that people write, for editors that check TOML while one types, and of ``check --json``.

Made from the very models that read the files, so that they cannot fall behind.
JSON Schema draft 2020-12.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from busledger.decoder.board.schema import (
    BoardTable,
    BufferTable,
    ChipTable,
    DecoderTable,
    DirectionTable,
    EnableTable,
    LatchTable,
    LineLevelTable,
    RegionTable,
    RegulatorTable,
    TestedTable,
)
from busledger.decoder.bus.schema import ProfileFile
from busledger.decoder.checks import BuffersResult, CyclesDocument, SelectsResult, SetsResult, TimingResult
from busledger.decoder.findings import CheckResult

__all__ = ["board_schema", "profile_schema", "result_schema", "sets_schema"]

_DRAFT = "https://json-schema.org/draft/2020-12/schema"
_LANES = {
    "description": 'data lanes: "D0-D3" or ["D0", "D5"]; "P", "P0", "P1": the ninth bit of a byte',
    "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}],
}
_DESCRIPTIONS = {
    "bus": "a profile's name ('busledger profiles'), or the path of one",
    "start": "first bus address, such as 0x4000",
    "end": "last bus address, inclusive",
    "kind": "ram, rom or io; io is listed, not compared",
    "space": "which address space; memory if left out",
    "select": "the select line's name, used when it is clipped",
    "image": "a ROM's contents: raw bytes, Intel HEX or S-records, a path relative to this file",
    "image_offset": "where in the file the contents begin",
    "image_fill": "the byte that was never programmed, such as 0xFF, where the image has holes",
    "mirror_of": "the region whose cells it repeats",
    "shared": "another master changes it: listed, not compared",
    "latch": "the address of the latch whose last written value decides",
    "mask": "the bits of the latch that count",
    "value": "what these bits hold",
    "level": "the level of the line",
    "result": "good, bad or replaced",
    "how": "how it was found",
    "part": "a part of the library ('busledger parts')",
    "designator": "the name printed beside the part",
    "serves": "the regions behind this driver",
    "lines": "address or control lines that pass through",
    "to_cpu": "the level of the line at which it drives toward the CPU",
    "active": "the level of the line at which it is on",
    "far_side": "lane or line = the line clipped on the card's side",
    "input": "volts at the regulator's input",
    "output": "volts at its output, where the part does not say it",
    "feeds": "designators or regions that it feeds; all of its rail if left out",
    "inputs": "pin = line",
    "outputs": "pin = line",
    "row": "place on the card, for drawings",
    "column": "place on the card, for drawings",
}


def board_schema() -> dict[str, Any]:
    """The schema of a board file."""
    region, buffer = _table(RegionTable), _table(BufferTable)
    region["properties"]["chips"] = {"type": "array", "items": _table(ChipTable)}
    region["properties"]["when"] = {"anyOf": [_table(LineLevelTable), _table(LatchTable)]}
    region["properties"]["write_protect"] = {"anyOf": [{"type": "boolean"}, _table(LineLevelTable)]}
    buffer["properties"]["direction"] = _table(DirectionTable)
    buffer["properties"]["enable"] = _table(EnableTable)
    return {
        "$schema": _DRAFT,
        "title": "busledger board file",
        "type": "object",
        "additionalProperties": False,
        "required": ["board", "region"],
        "properties": {
            "board": _table(BoardTable),
            "wiring": {
                "description": 'line = "channel name"; lines left out match by name',
                "type": "object",
                "additionalProperties": {"type": "string"},
            },
            "region": {"type": "array", "items": region, "minItems": 1},
            "decoder": {"type": "array", "items": _table(DecoderTable)},
            "buffer": {"type": "array", "items": buffer},
            "regulator": {"type": "array", "items": _table(RegulatorTable)},
            "tested": {"type": "array", "items": _table(TestedTable)},
        },
    }


def profile_schema() -> dict[str, Any]:
    """The schema of a bus profile."""
    return {"$schema": _DRAFT, **_clean(ProfileFile.model_json_schema()), "title": "busledger bus profile"}


def result_schema() -> dict[str, Any]:
    """The schema of what ``check --json`` prints for one capture."""
    made = CheckResult.model_json_schema(by_alias=True, mode="serialization")
    return {"$schema": _DRAFT, **_clean(made), "title": "busledger result of a check"}


def sets_schema() -> dict[str, Any]:
    """The schema of ``--json`` with several sets; each ``result`` is what the command prints for one bus."""
    one_bus = CheckResult | SelectsResult | BuffersResult | TimingResult | CyclesDocument
    made = SetsResult[one_bus].model_json_schema(by_alias=True, mode="serialization")
    return {"$schema": _DRAFT, **_clean(made), "title": "busledger result of several wired sets"}


def _table(model: type[BaseModel]) -> dict[str, Any]:
    """A flat model as a schema that stands alone, with what its keys mean."""
    schema: dict[str, Any] = _clean(model.model_json_schema())
    for key, value in schema["properties"].items():
        if key == "lanes":
            schema["properties"][key] = dict(_LANES)
        elif key in _DESCRIPTIONS:
            value["description"] = _DESCRIPTIONS[key]
    return schema


def _clean(schema: Any) -> Any:
    """Without the titles that pydantic makes of names, and without defaults of null, which TOML does not have."""
    if isinstance(schema, dict):
        kept = {k: v for k, v in schema.items() if not (k == "title" and isinstance(v, str))}
        if kept.get("default", ...) is None:
            del kept["default"]
        return {k: _clean(v) for k, v in kept.items()}
    return [_clean(item) for item in schema] if isinstance(schema, list) else schema
