"""What is found in cells that nobody wrote: what they wake up with, what another bank holds, what one lane shows."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busledger.decoder.diagnosis.replay.contents import log_woken
from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.rivals.rests import log_rest

CELLS = np.arange(256)
CHANCE = -256 * math.log(2.0)


def test_cells_that_wake_up_anyhow_cost_a_bit_each():
    anyhow = np.random.default_rng(2).random(256) < 0.5
    assert log_woken(CELLS, anyhow, 8) == pytest.approx(CHANCE, abs=8.0)


@pytest.mark.parametrize("bit", [0, 4, 7])
def test_cells_that_wake_up_by_turns_cost_next_to_nothing(bit):
    """Rows of an array that store the complement (common practice)."""
    turns = (CELLS >> bit & 1) == 1
    assert log_woken(CELLS, turns, 8) > -20.0
    mostly = turns ^ (np.random.default_rng(3).random(256) < 0.1)
    assert CHANCE + 60.0 < log_woken(CELLS, mostly, 8) < -20.0


def test_a_value_is_priced_by_the_lanes_that_were_compared():
    cell, value = np.arange(16, dtype=np.int32), np.arange(16, dtype=np.uint32) * 0x11
    two_lanes = np.full(16, 0x03, np.uint32)
    assert log_values(cell, value, 8) == pytest.approx(-16 * 8 * math.log(2.0), abs=1.0)  # each cell gave one value
    assert log_values(cell, value, two_lanes) == pytest.approx(log_values(cell, value & two_lanes, 2))


def test_a_rest_is_the_rarer_the_faster_such_rests_fall_off():
    """Of a line that programs walk through wherever they are."""
    far, near = (10_000, 100, 20_000), (150, 100, 20_000)
    assert log_rest(*far, 2) > log_rest(*far, 1) + 3.0
    assert log_rest(*near, 2) < log_rest(*near, 1) + 0.5
