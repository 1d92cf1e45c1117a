"""A check that had nothing to look at calls nothing right."""

from __future__ import annotations

import pytest

from busledger.decoder.checks import (
    BufferResult,
    BuffersResult,
    CheckFinding,
    RegionSelect,
    SelectsResult,
    TimingResult,
)
from busledger.decoder.pipeline.unlooked import or_unlooked
from busledger.decoder.report import buffers_text, selects_text

SEEN = RegionSelect(region="warp", select="CS0", active_level=0, cycles=3, missing=0, late=0, extra={}, outside=0)
NEVER = SEEN.model_copy(update={"cycles": 0})
DRIVER = BufferResult(
    designator="U10", part="74LS245", kind="data", serves=("warp",), control=None, lanes=(), undriven_reads=0,
    known_reads=0,
)  # fmt: skip


@pytest.mark.parametrize(
    ("result", "begins"),
    [
        (SelectsResult(regions=(NEVER,)), "no cycle was seen in which a clipped select is due"),
        (BuffersResult(buffers=(DRIVER,)), "no read or write was seen"),
        (BuffersResult(skipped=("B2: no line of its card side is clipped",)), "nothing is clipped that shows"),
        (TimingResult(profile="z80", grade="Z80", sample_ns=20.0), "not one time was measured"),
    ],
)
def test_where_nothing_was_looked_at_nothing_is_right(result, begins: str) -> None:
    told = or_unlooked(result)
    assert not told.judged and told.not_judged_because.startswith(begins)
    assert [(f.code, f.weight) for f in told.findings] == [("nothing-judged", "doubt")]


def test_what_was_looked_at_or_accused_stays_as_it_is() -> None:
    fault = CheckFinding(code="never-settled", weight="doubt", text="its inputs never held still")
    for result in (SelectsResult(regions=(SEEN,)), SelectsResult(regions=(NEVER,), findings=(fault,))):
        assert or_unlooked(result) is result


def test_the_first_line_says_no_more_than_was_seen() -> None:
    near = BuffersResult(buffers=(DRIVER.model_copy(update={"known_reads": 40}),))
    assert or_unlooked(near) is near
    assert buffers_text(near).startswith("No read looks as if nobody had driven it; more is not clipped")
    assert selects_text(or_unlooked(SelectsResult(regions=(NEVER,)))).startswith("Cannot judge: no cycle was seen")
