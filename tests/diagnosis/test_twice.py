"""Two faults of one chip on the same lanes."""

from __future__ import annotations

import numpy as np

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
