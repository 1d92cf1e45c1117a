"""Captures with lines missing: what a select tells, what stays unknown, and that nothing innocent is accused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from busledger.captures_demo.accuracy import write_board
from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.cases import Case, draw_case
from busledger.decoder.bus import Cycles, Kind
from busledger.decoder.findings import CheckResult
from busledger.decoder.pipeline import Request, open_run, run_check

CYCLES = 6_000


@pytest.fixture(scope="module")
def healthy() -> Case:
    return draw_case(0, "healthy", cycles=CYCLES)


@pytest.fixture(scope="module")
def stuck() -> Case:
    return draw_case(100, "hard", kind=("stuck-low", "chip"), cycles=CYCLES)


def asked(case: Case, folder: Path, drop: set[str]) -> Request:
    """The run captured without the lines in ``drop``."""
    clips = [line for line in standard_clips(case.machine) if line not in drop]
    capture(case.run, folder / "run.vcd", seed=5, clips=clips, rate_hz=50e6)
    return Request(folder / "run.vcd", write_board(case.machine, folder), any_subset=True)


def counted(result: CheckResult, names: set[str]) -> dict[str, tuple[int, int, int]]:
    return {r.name: (r.writes, r.reads_compared, r.mismatches) for r in result.regions if r.name in names}


def test_selects_stand_in_for_the_address_lines_above_them(stuck: Case, tmp_path: Path) -> None:
    """Without the three highest address lines the regions that have a select are judged just as with them."""
    whole = run_check(asked(stuck, tmp_path, set()))
    part = run_check(asked(stuck, tmp_path, {"A13", "A14", "A15"}))
    selected = {region.name for region in stuck.machine.regions if region.select}
    assert counted(part, selected) == counted(whole, selected)
    assert (part.suspects[0].component, part.suspects[0].lanes) == (stuck.faults[0].chip, whole.suspects[0].lanes)
    assert "assumed-all-memory" not in {w.code for w in whole.capture.warnings}


def test_what_no_select_tells_is_judged_as_if_the_board_file_named_all_memory(stuck: Case, tmp_path: Path) -> None:
    """The region without a select looks like no other on the lines that are left; the answer says what it rests on."""
    whole = run_check(asked(stuck, tmp_path, set()))
    part = run_check(asked(stuck, tmp_path, {"A13", "A14", "A15"}))
    unseen = {region.name for region in stuck.machine.regions if not region.select}
    assert counted(part, unseen) == counted(whole, unseen) != {}
    assert part.coverage["assumed_all_memory"] == {
        "regions": sorted(unseen),
        "not_clipped": ["A13", "A14", "A15"],
    }
    (note,) = [w for w in part.capture.warnings if w.code == "assumed-all-memory"]
    assert "A13, A14, A15 not clipped" in note.text


def test_every_address_that_a_select_tells_is_the_true_one(healthy: Case, tmp_path: Path) -> None:
    run = open_run(asked(healthy, tmp_path, {"A14", "A15"}))
    with run.file:
        blocks = list(run.blocks())
    cycles = Cycles.concat([b.cycles for b in blocks])
    cycles = cycles.take(~np.isin(cycles.kind, (Kind.REFRESH, Kind.IDLE)))
    address, unknown = cycles.address, cycles.address_unknown
    true = healthy.run.address[healthy.run.kind != 2]
    assert len(address) == len(true)
    assert ((address ^ true.astype(np.uint32)) & ~unknown == 0).all()
    inside = np.zeros(len(true), np.bool_)
    for region in healthy.machine.regions:
        if region.select:
            inside |= (true >= region.start) & (true <= region.end)
    assert (unknown[inside] == 0).all()


@pytest.mark.parametrize("line", ["A0", "A1", "A3", "A6"])
def test_a_healthy_card_is_not_accused_where_cells_are_hidden(healthy: Case, tmp_path: Path, line: str) -> None:
    result = run_check(asked(healthy, tmp_path, {line}))
    assert result.mismatch_total == 0
    assert result.suspects == ()
    assert sum(region.reads_ambiguous for region in result.regions) > 0


@pytest.mark.parametrize("line", ["A0", "A2", "A3"])
def test_the_chip_of_a_stuck_lane_is_named_where_cells_are_hidden(stuck: Case, tmp_path: Path, line: str) -> None:
    """The memory test runs through its cells in steps of one, so that the line is counted along. Few reads are left:
    that the lane is stuck is one name of several."""
    result = run_check(asked(stuck, tmp_path, {line}))
    assert result.mismatch_total > 0
    (note,) = [w for w in result.capture.warnings if w.code == "hidden-cells"]
    assert note.text.startswith(f"{line} not clipped") and "counted along" in note.text
    assert result.suspects[0].component == stuck.faults[0].chip
    lanes = tuple(f"D{lane}" for lane in stuck.faults[0].lanes)
    assert any((suspect.fault, suspect.lanes) == ("stuck-low", lanes) for suspect in result.suspects)
    assert not any(suspect.address_lines for suspect in result.suspects)


def test_without_any_address_line_nothing_is_accused(stuck: Case, tmp_path: Path) -> None:
    result = run_check(asked(stuck, tmp_path, {f"A{n}" for n in range(16)}))
    assert result.suspects == ()
