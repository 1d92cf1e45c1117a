"""A capture that cannot be judged ends with status 3, and its first line says why (contract.md, Commands)."""

from __future__ import annotations

import pytest

from busledger.captures_demo.accuracy import write_board
from busledger.captures_demo.world.bench import capture
from busledger.decoder.diagnosis import capture_verdict
from busledger.decoder.findings import WarningFinding
from busledger.decoder.pipeline import Request, open_run, run_check
from busledger.decoder.pipeline.check import evidence_of
from busledger.decoder.pipeline.dividing import divide
from busledger.decoder.pipeline.gathering import gather
from busledger.decoder.report import check_text
from busledger.tui.commands.outcome import status
from tests.checks.wide_bus import BOARD, write_capture
from tests.diagnosis.unusual_captures import healthy


def checked(folder, rate_hz):
    run = healthy()
    board = write_board(run.machine, folder)
    capture(run, folder / "capture.vcd", seed=3, rate_hz=rate_hz)
    return run_check(Request(folder / "capture.vcd", board))


@pytest.fixture(scope="module")
def too_slow(tmp_path_factory):
    """Three samples in half a period of the clock."""
    return checked(tmp_path_factory.mktemp("slow"), 3 / (0.5 / healthy().machine.clock_hz))


def test_the_first_line_says_that_and_why_it_cannot_judge(too_slow):
    assert (too_slow.judged, status(too_slow)) == (False, 3)
    assert check_text(too_slow, answer_only=True).startswith("Cannot judge: sampled too slowly: PHI2 is active for 3.")


def test_nobody_is_accused_or_cleared_and_the_next_step_says_what_to_change(too_slow):
    assert [(s.fault, s.scope) for s in too_slow.suspects] == [("too-slow", "clip")]
    assert too_slow.cleared == ()
    assert too_slow.next_steps[0].text.startswith("Sample at least")
    assert "No fault seen" not in check_text(too_slow)


def test_enough_samples_are_judged(tmp_path):
    result = checked(tmp_path, 24e6)
    assert (result.judged, result.not_judged_because, status(result)) == (True, "", 0)


def test_quiet_keeps_a_warning_that_takes_the_ground_away_and_no_other(tmp_path):
    result = checked(tmp_path, 24e6)
    warnings = (
        WarningFinding(code="probe-clip-off", text="D3 never moved"),
        WarningFinding(code="odd-range", text="a range written the other way round"),
    )
    told = result.model_copy(update={"capture": result.capture.model_copy(update={"warnings": warnings})})
    quiet = check_text(told, answer_only=True)
    assert "D3 never moved" in quiet
    assert "range" not in quiet


def test_a_processor_without_a_clock_line_may_come_evenly(tmp_path):
    """A 68000 in a memory test makes cycles of one length; only to a chip's own bus is that strange."""
    write_capture(tmp_path / "run.vcd", cells=200)
    (tmp_path / "card.toml").write_text(BOARD)
    gathered = divide(gather(open_run(Request(tmp_path / "run.vcd", board=tmp_path / "card.toml"))))
    assert sum(region.mismatches for region in gathered.counts) > 200
    assert capture_verdict(evidence_of(gathered)) is None
