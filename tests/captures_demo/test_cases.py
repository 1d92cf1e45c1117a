"""Drawn machines, faults and scenarios: all of the contract's table can be drawn, shows, and is counted honestly."""

from __future__ import annotations

import ast
import lzma
import tomllib
from pathlib import Path

import numpy as np
import pytest

from busledger import captures_demo
from busledger.captures_demo import make_all
from busledger.captures_demo.scenario_list import SCENARIOS
from busledger.captures_demo.world.board_file import board_toml
from busledger.captures_demo.world.cases import FEWEST_HARD, FEWEST_SOFT, draw_case
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.random_card import random_machine
from busledger.captures_demo.world.random_fault import FAULT_SCOPES
from busledger.captures_demo.world.scoring import Truth, fault_named, part_named, rank_of_truth, truth_of
from busledger.captures_demo.world.tally import calibration, render
from tests.contract_table import NOT_IN_THE_WORLD, ON_CARD

ROOT = Path(captures_demo.__file__).parent


class Suspect:
    def __init__(self, rank, fault, scope, component=None, region=None, lanes=(), lines=(), p=0.5, explains=9, tied=()):
        self.rank, self.fault, self.scope, self.component, self.region = rank, fault, scope, component, region
        self.lanes, self.address_lines, self.probability, self.explains = lanes, lines, p, explains
        self.contradicted, self.tied_with = 0, tied


def test_the_table_of_faults_is_the_contract_s():
    counts = {}
    for fault, scope in FAULT_SCOPES:
        counts.setdefault(fault, set()).add(scope)
    assert counts == {fault: scopes for fault, scopes in ON_CARD.items() if fault not in NOT_IN_THE_WORLD}


@pytest.mark.parametrize("kind", FAULT_SCOPES, ids=" ".join)
@pytest.mark.parametrize("category", ["hard", "intermittent"])
def test_every_fault_and_scope_shows(kind, category):
    case = draw_case(5, category, kind=kind, cycles=20_000)
    assert (case.faults[0].fault, case.faults[0].scope) == kind
    assert case.run.mismatches >= (FEWEST_HARD if case.category == "hard" else FEWEST_SOFT)
    assert np.array_equal(case.run.data, draw_case(5, category, kind=kind, cycles=20_000).run.data)


def test_healthy_machines_never_disagree():
    for seed in range(30):
        assert draw_case(seed, "healthy", cycles=8_000).run.mismatches == 0


def test_both_faults_of_a_double_show():
    case = draw_case(1, "double", cycles=12_000)
    assert len(case.faults) == 2 and case.run.active.shape[1] == 2


def test_a_board_file_says_what_the_machine_is():
    machine = random_machine(np.random.default_rng(5), bus="6502", part="2114", cards=2)
    board = tomllib.loads(board_toml(machine, far_side=True))
    assert board["board"]["bus"] == "6502"
    assert [region["name"] for region in board["region"]] == [region.name for region in machine.regions]
    assert board["region"][1]["chips"][0]["lanes"] == "D0-D3"
    assert len(board["decoder"]) == 2


def test_scoring_knows_the_part_and_its_ties():
    machine = random_machine(np.random.default_rng(5), bus="6502", part="2114", cards=1)
    chip = machine.regions[1].chips[0]
    truth = truth_of(machine, Fault("stuck-low", "chip", chip=chip.designator, lanes=(2,)))
    right = Suspect(2, "stuck-low", "chip", chip.designator, "bank0", ("D2",), tied=(1,))
    rival = Suspect(1, "floating", "chip", "U99", "bank0", ("D2",), tied=(2,))
    assert part_named(truth, right) and fault_named(truth, right) and not part_named(truth, rival)
    assert rank_of_truth(truth, (rival, right)) == (1, right)
    untied = Suspect(2, "stuck-low", "chip", chip.designator, "bank0", ("D2",))
    assert rank_of_truth(truth, (rival, untied)) == (2, untied)
    uneven = Suspect(2, "stuck-low", "chip", chip.designator, "bank0", ("D2",), explains=3, tied=(1,))
    assert rank_of_truth(truth, (rival, uneven)) == (2, uneven)
    assert rank_of_truth(truth, (rival,)) == (0, None)


def test_scoring_of_faults_without_a_part():
    bus = Truth("stuck-low", "bus", "", "", ("D3",), ())
    assert part_named(bus, Suspect(1, "stuck-low", "bus", lanes=("D3",)))
    assert not part_named(bus, Suspect(1, "stuck-low", "bus", lanes=("D4",)))
    assert not part_named(bus, Suspect(1, "stuck-low", "buffer", "U9", lanes=("D3",)))
    region = Truth("address-stuck", "region", "", "bank1", (), ("A4",))
    assert part_named(region, Suspect(1, "address-stuck", "region", region="bank1", lines=("A4",)))
    assert not part_named(region, Suspect(1, "address-stuck", "region", region="bank0", lines=("A4",)))


def test_calibration_and_table():
    base = {
        "category": "hard", "kinds": ["dead chip"], "tied": [False], "false_tie": False, "named": [True],
        "accused": False, "seconds": 0.1, "ledger_agrees": True, "seed": 1,
    }  # fmt: skip
    good = base | {"places": [1], "probability": 0.95, "right": True, "alone": 0.95, "alone_right": True}
    bad = base | {"places": [0], "probability": 0.75, "right": False, "alone": 0.75, "alone_right": False}
    bins, brier = calibration([good, bad])
    assert bins[9] == (1, 1, 0.95) and bins[7] == (1, 0, 0.75)
    assert brier == pytest.approx((0.05**2 + 0.75**2) / 2)
    assert "1/2  50.0 %" in render([good, bad])


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.name)
def test_a_scenario_is_what_its_maker_makes(scenario, tmp_path):
    run = make_all.build(scenario, tmp_path, pack=False)
    bundled = ROOT / scenario.name
    for name in ("board.toml", "story.md", "truth.toml"):
        assert (tmp_path / name).read_bytes() == (bundled / name).read_bytes()
    # The packed bytes depend on the packer's version, what is inside does not.
    assert (tmp_path / "capture.vcd").read_bytes() == lzma.decompress((bundled / "capture.vcd.xz").read_bytes())
    truth = tomllib.loads((bundled / "truth.toml").read_text())
    assert truth["mismatches"] == run.mismatches
    assert (run.mismatches > 0) == bool(scenario.faults)


def test_the_door_lists_every_scenario():
    found = captures_demo.scenarios()
    assert sorted(scenario.name for scenario in SCENARIOS) == [scenario.name for scenario in found]
    for scenario in found:
        assert scenario.capture.is_file() and scenario.board.is_file() and scenario.title and scenario.opening


def test_bundled_captures_stay_small():
    assert sum(path.stat().st_size for path in ROOT.glob("*/capture.vcd.xz")) < 4_000_000


def test_the_world_knows_nothing_of_the_engine():
    makers = [ROOT / name for name in ("__init__.py", "make_all.py", "scenario_list.py")]
    for path in [*makers, *ROOT.glob("world/*.py")]:
        names = set()
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Import):
                names |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                names.add(node.module.split(".")[0])
        assert not names & {"decoder", "tui"}, path


def test_no_double_fault_is_silenced_by_its_other_half():
    for seed in range(12):
        case = draw_case(seed, "double", kind=("write-lost", "board"), cycles=6_000)
        board, other = case.faults
        assert other.scope == "bus" or board.when.mode != "hard"
