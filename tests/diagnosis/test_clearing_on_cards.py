"""On virtual cards with a planted fault, the part that fails is never among the cleared; on healthy ones most are."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.captures_demo.accuracy import cycles_of, plan, write_board
from busledger.captures_demo.world.cases import Case, draw_case
from busledger.captures_demo.world.scoring import Truth, truth_of
from busledger.decoder.board import Board, load_board
from busledger.decoder.bus import load_profile
from busledger.decoder.diagnosis import CoverageCounter, clear
from busledger.decoder.diagnosis.coverage.clearing import DATA_BUS
from busledger.decoder.findings import Cleared
from busledger.decoder.ledger import AccessLog, Ledger, RegionMap

LANE_FAULTS = ("stuck-low", "stuck-high", "floating", "bridged")
CARDS = [job for job in plan(24, 5) if job[1] in ("healthy", "hard")]


def _cleared(case: Case, folder: Path) -> tuple[Board, dict[str, Cleared]]:
    board = load_board(write_board(case.machine, folder))
    profile = load_profile(board.bus)
    cycles = cycles_of(case.run)
    log = AccessLog()
    log.append(cycles, Ledger(RegionMap(board.regions, (), profile.data_bits), profile.address_bits).feed(cycles))
    counter = CoverageCounter(board, profile.address_bits, profile.data_bits)
    for block in log.blocks():
        counter.feed(*block)
    return board, {c.component: c for c in clear(counter)}


def _places(board: Board, truth: Truth) -> set[str]:
    """What of the part may not be cleared: its lanes, lines or selects; all of it where the fault has no such place."""
    if truth.scope == "decoder":
        return {str(r.select) for r in board.regions if r.name == truth.region}
    if truth.scope == "board":
        return set(truth.address_lines)
    return set(truth.lanes) if truth.fault in LANE_FAULTS and truth.scope in ("buffer", "bus") else set()


@pytest.mark.parametrize(("seed", "category", "kind"), CARDS)
def test_the_true_part_is_not_cleared(tmp_path: Path, seed: int, category: str, kind: tuple[str, str] | None) -> None:
    case = draw_case(seed, category, kind=kind)
    board, found = _cleared(case, tmp_path)
    if category == "healthy":
        chips = {chip.designator for region in board.regions for chip in region.chips}
        assert len(chips & set(found)) >= 0.8 * len(chips)
    for fault in case.faults:
        truth = truth_of(case.machine, fault)
        name = DATA_BUS if truth.scope == "bus" else truth.component
        if name in found:
            places = _places(board, truth)
            assert places and not places & set(found[name].lanes), (truth, found[name])
