"""The main job on every bundled scenario, by way of its files: all mismatches counted, the broken parts named."""

from __future__ import annotations

import tomllib

import pytest

from busledger import captures_demo
from busledger.captures_demo.world.scoring import tie_groups
from busledger.decoder.pipeline import Request, run_check


@pytest.mark.parametrize("scenario", captures_demo.scenarios(), ids=lambda scenario: scenario.name)
def test_check_finds_what_was_built_in(scenario):
    truth = tomllib.loads(scenario.truth.read_text(encoding="utf-8"))
    result = run_check(Request(scenario.capture, scenario.board))
    assert result.cycles.total == truth["cycles"]
    assert sum(region.reads_compared for region in result.regions) == truth["reads_compared"]
    assert result.mismatch_total == truth["mismatches"]
    places = tie_groups(result.suspects)[: len(truth["components"])]
    assert {group[0].component for group in places} == set(truth["components"])
    named = {suspect.fault for group in places for suspect in group}
    assert {fault["fault"] for fault in truth.get("fault", [])} <= named
