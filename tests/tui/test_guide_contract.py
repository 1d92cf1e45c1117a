"""``check --json`` of bundled recordings against the published keys, types and closed sets.

The table is typed here a second time, from the description of the format (``busledger.check/1``), not from the
program's classes: a key that is renamed, or a number that becomes text, must be seen. Further keys are allowed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.contract_table import ON_CARD, RIVALS
from tests.tui.guide import DEMO, run

REAL = (int, float)
NONE = type(None)
RESULT = {
    "schema": str, "capture": dict, "profile": str, "board": (str, NONE), "cycles": dict, "regions": list,
    "mismatch_total": int, "suspects": list, "unexplained": int, "cleared": list, "coverage": dict, "next_steps": list,
}  # fmt: skip
CAPTURE = {"path": str, "duration_s": REAL, "channels": int, "samples": int, "resolution_s": REAL, "warnings": list}
WARNING = {"code": str, "time_s": (*REAL, NONE), "text": str}
CYCLES = {"total": int, "by_kind": dict, "rejected": int}
REGION = {
    "name": str, "writes": int, "reads": int, "reads_compared": int, "mismatches": int, "reads_unknown": int,
    "reads_stale": int, "reads_disagree": int, "lanes": list,
}  # fmt: skip
LANE = {"lane": str, "compared": int, "low_for_high": int, "high_for_low": int}
SUSPECT = {
    "rank": int, "fault": str, "scope": str, "component": (str, NONE), "region": (str, NONE), "lanes": list,
    "address_lines": list, "address": (int, NONE), "intermittent": bool, "rate": (*REAL, NONE),
    "rate_95": (list, NONE), "probability": REAL, "explains": int, "contradicted": int, "summary": str,
    "evidence": list,
}  # fmt: skip
CLEARED = {"component": (str, NONE), "lanes": list, "evidence": str}
NEXT_STEP = {"text": str, "clip": list, "gain_bits": (*REAL, NONE)}
SCOPES = ON_CARD | RIVALS
KINDS = {
    "read", "write", "opcode-fetch", "io-read", "io-write", "int-ack", "refresh", "idle", "halt", "dma-read",
    "dma-write",
}  # fmt: skip


def _holds(found: dict[str, Any], keys: dict[str, Any], where: str) -> None:
    for key, kind in keys.items():
        assert key in found, f"{where}: no {key}"
        value = found[key]
        kinds = kind if isinstance(kind, tuple) else (kind,)
        # In JSON true is no number, though Python's bool is an int.
        right = isinstance(value, kinds) and (bool in kinds or not isinstance(value, bool))
        assert right, f"{where}.{key} is {value!r}"


@pytest.fixture(scope="module", params=["tide_gauge", "planetarium", "weighbridge"])
def found(request: pytest.FixtureRequest) -> dict[str, Any]:
    place: Path = DEMO / request.param
    status, text = run(["check", "capture.vcd.xz", "--board", "board.toml", "--json"], place)
    result: dict[str, Any] = json.loads(text)
    assert status == (1 if result["mismatch_total"] else 0)
    return result


def test_top_level_capture_and_cycles(found: dict[str, Any]) -> None:
    _holds(found, RESULT, "result")
    assert found["schema"] == "busledger.check/1"
    _holds(found["capture"], CAPTURE, "capture")
    for warning in found["capture"]["warnings"]:
        _holds(warning, WARNING, "warning")
    _holds(found["cycles"], CYCLES, "cycles")
    by_kind = found["cycles"]["by_kind"]
    assert set(by_kind) <= KINDS
    assert found["cycles"]["total"] == sum(n for kind, n in by_kind.items() if kind not in ("idle", "refresh"))


def test_regions_and_lanes_add_up(found: dict[str, Any]) -> None:
    for region in found["regions"]:
        _holds(region, REGION, region["name"])
        assert region["mismatches"] <= region["reads_compared"] <= region["reads"]
        assert [lane["lane"] for lane in region["lanes"]] == [f"D{number}" for number in range(8)]
        for lane in region["lanes"]:
            _holds(lane, LANE, f"{region['name']}.{lane['lane']}")
            assert lane["low_for_high"] + lane["high_for_low"] <= min(lane["compared"], region["mismatches"])
    assert found["mismatch_total"] == sum(region["mismatches"] for region in found["regions"])


def test_suspects_cleared_and_next_steps(found: dict[str, Any]) -> None:
    names = {region["name"] for region in found["regions"]}
    for suspect in found["suspects"]:
        where = f"suspect {suspect['rank']}"
        _holds(suspect, SUSPECT, where)
        assert suspect["scope"] in SCOPES[suspect["fault"]], where
        assert suspect["region"] is None or suspect["region"] in names
        assert 0 <= suspect["probability"] <= 1
        assert suspect["rate"] is None or 0 <= suspect["rate"] <= 1
        if suspect["rate_95"] is not None:
            low, high = suspect["rate_95"]
            assert 0 <= low <= suspect["rate"] <= high <= 1
        assert all(lane[0] == "D" and lane[1:].isdigit() for lane in suspect["lanes"])
        assert all(line[0] == "A" and line[1:].isdigit() for line in suspect["address_lines"])
        assert all(isinstance(line, str) for line in suspect["evidence"])
    ranks = [suspect["rank"] for suspect in found["suspects"]]
    assert ranks == list(range(1, len(ranks) + 1))
    assert bool(ranks) == bool(found["mismatch_total"])
    for cleared in found["cleared"]:
        _holds(cleared, CLEARED, "cleared")
    for step in found["next_steps"]:
        _holds(step, NEXT_STEP, "next step")
        assert all(isinstance(line, str) for line in step["clip"])
