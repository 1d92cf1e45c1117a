"""Half of a chip that is bad every time: what its cells hold is known then, as of a chip that is bad throughout."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis.leaf import units_of
from busledger.decoder.diagnosis.leaves import weigh_leaf

from .faulty_cards import LOW_NIBBLE, Hardware
from .rows_of import study_on


class HalfNeverWritten(Hardware):
    """U1 (D0-D3 of bank 0) takes no writes where A3 is low."""

    def write(self, address, data):
        self.put(address, data, 0xF0 if address < 8 else 0xFF)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_half_that_takes_no_writes_is_told_as_such(seed):
    """Some reads are right by chance: the cell held what was written before."""
    study = study_on(HalfNeverWritten(np.random.default_rng(seed)), rounds=4)
    unit = next(unit for unit in units_of(study.card) if unit.name == "U1")
    rows = study.rows()
    best = weigh_leaf(study, unit, rows.take(rows.region == 0)).best
    (fault,) = best.faults
    assert (fault.candidate.fault, fault.candidate.mask) == ("write-lost", LOW_NIBBLE)
    assert dict(fault.detail) == {"where_lines": ["A3=0"], "every_time": True}
    assert (fault.effect.tally.misses, fault.effect.tally.other) == (0, 0)
    assert best.log_like > -2.0 - fault.effect.tally.unsure_bits * np.log(2.0)
