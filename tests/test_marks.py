"""Active-low lines are ``/RD`` in front of people, and ``RD`` in JSON (the contract's section on lines)."""

from __future__ import annotations

import pytest

from busledger.captures_demo import scenarios
from busledger.decoder.board import load_board
from busledger.decoder.bus import load_profile
from busledger.decoder.findings import NextStep
from busledger.decoder.marks import Marks
from busledger.decoder.pipeline import Request, plan_passes, run_probes, run_selects
from busledger.decoder.pipeline.request import marks_of
from busledger.decoder.planning import PlanRequest
from busledger.decoder.report import plan_text, probes_text, selects_text

TIDE_GAUGE = next(s for s in scenarios() if s.name == "tide_gauge")
LOW = Marks(["RD", "CS0", "CS1", "WAIT"])


@pytest.mark.parametrize(
    ("sentence", "shown"),
    [
        ("the clip on RD has come off", "the clip on /RD has come off"),
        ("RD, CS0-CS1 and WAIT", "/RD, /CS0-/CS1 and /WAIT"),
        ("/RD and CS0_n and CS10 stay", "/RD and CS0_n and CS10 stay"),
        ('say `line = "RD"` or when = { line = "CS0" } of RD', 'say `line = "RD"` or when = { line = "CS0" } of /RD'),
        ("TRD, RDL and tw(RDL) are no lines", "TRD, RDL and tw(RDL) are no lines"),
        ("D0 reads low where A6 = 1", "D0 reads low where A6 = 1"),
    ],
)
def test_a_sentence_has_the_mark_once_and_what_is_to_be_typed_has_none(sentence: str, shown: str) -> None:
    assert LOW.text(sentence) == shown
    assert LOW.text(shown) == shown


def test_a_result_keeps_its_names_and_a_table_marks_them() -> None:
    step = NextStep(text="Clip CS0 (the select of bank0).", clip=("CS0", "A14"))
    assert LOW.shown(step) == NextStep(text="Clip /CS0 (the select of bank0).", clip=("/CS0", "A14"))
    assert LOW.text(step.text) == "Clip /CS0 (the select of bank0)." and step.clip == ("CS0", "A14")


def test_the_profile_and_the_board_say_which_lines_are_meant() -> None:
    """RD, WR, MREQ … of the Z80 are active low (Zilog's CPU manual writes a bar), as are a 74LS138's outputs (its data
    sheet); an address line is called by its bit."""
    board = load_board(TIDE_GAUGE.board)
    low = marks_of(load_profile("z80"), board).low
    assert {"RD", "WR", "MREQ", "IORQ", "M1", "RFSH", "HALT", "WAIT", "CS0", "CS1"} <= set(low)
    assert not {"CLK", "A0", "D0", "A14"} & set(low)
    assert "RW" not in load_profile("6502").marked  # high for a read, low for a write: neither is "active"
    assert "READY" not in load_profile("8085").marked  # high = ready; Intel writes it without a bar
    assert "RD" in load_profile("8085").marked


def test_selects_probes_and_plan_mark_lines_in_text_and_not_in_json() -> None:
    asked = Request(capture=TIDE_GAUGE.capture, board=TIDE_GAUGE.board)
    selects, probes = run_selects(asked), run_probes(asked)
    assert "A14 A15 /MREQ A12 A11 A10 | /CS0 /CS1" in selects_text(selects)
    assert selects.regions[0].select == "CS0" and "CS0" in selects.active_low
    line = next(row for row in probes_text(probes).splitlines() if row.startswith("CS0 "))
    assert line.split()[:2] == ["CS0", "/CS0"], "the channel keeps the name that the capture gives it"
    plan = plan_passes(TIDE_GAUGE.board, PlanRequest(channels=16, rate_hz=24e6))
    shown = plan_text(plan, width=100, colour=False)
    assert "/MREQ" in shown and " MREQ" not in shown
    assert "MREQ" in plan.passes[0].lines
