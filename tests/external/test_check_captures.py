"""The main job on captures that independently written CPU cores produced in an HDL
simulator, with the accesses and the built-in fault logged by the memory model."""

from __future__ import annotations

import pytest

from busledger.decoder.pipeline import Request, run_check
from tests.shared_captures import each_shared


@pytest.mark.parametrize("capture", each_shared())
def test_check_names_the_component_and_counts_every_mismatch(capture):
    fault = capture.fault
    result = run_check(Request(capture=capture.path, board=capture.board))
    assert result.mismatch_total == fault["mismatches"]
    assert sum(r.reads_compared for r in result.regions) == fault["reads_compared"]
    if fault["component"] is None:
        assert not result.suspects
        return
    first = result.suspects[0]
    assert (first.component, first.fault, first.region) == (fault["component"], fault["fault"], fault["region"])
    assert list(first.address_lines) == fault.get("address_lines", [])
    if fault["fault"] == "stuck-low":
        assert list(first.lanes) == fault["lanes"]
    assert not first.intermittent
    assert next(part.bad for part in result.parts if part.component == first.component) > 0.95
    assert first.probability > 0.5
    assert sum(s.probability for s in result.suspects if s.component == fault["component"]) > 0.99


@pytest.mark.parametrize("regions", [(), ("ram=4000-4FFF",)], ids=["inferred", "stated"])
@pytest.mark.parametrize("capture", each_shared(lambda c: c.fault["fault"] == "stuck-low"))
def test_without_a_board_file_the_lane_and_its_bank_are_named_all_the_same(capture, regions):
    """Four banks behind one inferred or stated region: the failures draw the line themselves."""
    result = run_check(Request(capture=capture.path, profile="z80", regions=regions))
    first = result.suspects[0]
    assert (first.fault, list(first.lanes), first.component) == ("stuck-low", capture.fault["lanes"], None)
    assert not first.intermittent
    assert first.explains == capture.fault["mismatches"]
