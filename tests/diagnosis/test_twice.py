"""Two faults of one chip on the same lanes."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.diagnosis import screening
from busledger.decoder.diagnosis.leaf import units_of
from busledger.decoder.diagnosis.leaves import weigh_leaf

from .faulty_cards import LOW_NIBBLE, Hardware
from .rows_of import study_on


class SeesA2LowAndTires(Hardware):
    """U1 (D0-D3 of bank 0) sees A2 low; one of its reads in five comes out as 0 besides, where ``tires``."""

    tires = True

    def write(self, address, data):
        self.put(address, data, 0xF0 if address < 16 else 0xFF)
        if address < 16:
            self.put(address & ~4, data, LOW_NIBBLE)

    def read(self, address):
        if address >= 16:
            return self.cells[address]
        low = self.cells[address & ~4] & LOW_NIBBLE
        if self.tires and self.rng.random() < 0.2:
            low = 0
        return self.cells[address] & 0xF0 | low


def leaf_of_u1(hardware):
    study = study_on(hardware, 30)
    unit = next(unit for unit in units_of(study.card) if unit.name == "U1")
    rows = study.rows()
    return weigh_leaf(study, unit, rows.take(rows.region == 0))


def test_what_the_first_fault_leaves_is_weighed_as_a_second():
    leaf = leaf_of_u1(SeesA2LowAndTires(np.random.default_rng(2)))
    first, *others = leaf.best.faults
    assert (first.candidate.fault, first.candidate.lines) == ("address-stuck", (2,))
    assert others
    alone = max(state.log for state in leaf.states if len(state.faults) == 1)
    assert leaf.best.log > alone + 10


def test_one_fault_that_says_all_has_no_second():
    hardware = SeesA2LowAndTires(np.random.default_rng(2))
    hardware.tires = False
    leaf = leaf_of_u1(hardware)
    assert len(leaf.best.faults) == 1
    assert leaf.best.faults[0].candidate.fault == "address-stuck"


class SomebodyElseWrites(Hardware):
    """Cells 8 to 15 are changed by somebody else; a cell of the lower half, which only A3 parts from each, was never
    seen to hold anything else."""

    def read(self, address):
        if 8 <= address < 16 and self.rng.random() < 0.3:
            self.cells[address] = int(self.rng.integers(256))
        return self.cells[address]


def test_a_line_is_not_asked_on_which_side_of_itself_it_fails():
    """Writes to one side land on the other: where only the other is looked at, no missed chance is seen."""
    study = study_on(SomebodyElseWrites(np.random.default_rng(4)), 8)
    unit = units_of(study.card)[0]
    stuck = next(c for c in unit.candidates if (c.fault, c.lines) == ("address-stuck", (3,)))
    unit = replace(unit, candidates=tuple(c for c in unit.candidates if c is stuck or c.mask.bit_count() == 1))
    rows = study.rows()
    leaf = weigh_leaf(study, unit, rows.take(rows.region == 0))
    asked = [line for state in leaf.states for fault in state.faults for line in fault.detail.get("where_lines", ())
             if fault.candidate == stuck]  # fmt: skip
    assert asked
    assert not [line for line in asked if line.startswith("A3")]


class TwoLinesAsOne(Hardware):
    """U1 sees two address lines as one, both high where one is; and reads a lane low now and then besides."""

    lines, lane = (0, 1), 0x08

    def cell(self, address):
        pair = sum(1 << line for line in self.lines)
        return address | pair if address & pair else address

    def write(self, address, data):
        self.put(address, data, 0xF0 if address < 16 else 0xFF)
        if address < 16:
            self.put(self.cell(address), data, LOW_NIBBLE)

    def read(self, address):
        if address >= 16:
            return self.cells[address]
        low = self.cells[self.cell(address)] & LOW_NIBBLE
        return self.cells[address] & 0xF0 | (low & ~self.lane if self.rng.random() < 0.3 else low)


@pytest.mark.parametrize("lines", list(itertools.combinations(range(4), 2)))
def test_lines_that_are_one_are_asked_about_whatever_each_explains_alone(lines, monkeypatch):
    """Four address lines are few pairs; what is kept of them is cut down to what eleven lines left room for."""
    monkeypatch.setattr(screening, "_LEAF_KEEPS", 2)
    hardware = TwoLinesAsOne(np.random.default_rng(3))
    hardware.lines = lines
    leaf = leaf_of_u1(hardware)
    first, second = leaf.best.faults
    assert (first.candidate.fault, first.candidate.lines, first.hard) == ("address-bridged", lines, True)
    assert second.candidate.mask == hardware.lane
