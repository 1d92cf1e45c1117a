"""A device's registers, each of its own kind, against what memory that fails at random would cost."""

from __future__ import annotations

import math

import numpy as np
import pytest

from busledger.decoder.diagnosis.rivals.places import devices
from busledger.decoder.diagnosis.rivals.registers import log_device, log_registers
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of, without_chips

READS = 60
EVERY_BIT = READS * 8 * math.log(2.0)


def reads_of(values, before=None):
    """Reads of one cell, each after a read of another cell that leaves ``before`` on the bus."""
    told = []
    for n, value in enumerate(values):
        told += [("r", 9, int(before[n]) if before is not None else 0), ("r", 3, int(value))]
    rows = study_of([("w", 3, 0), ("w", 9, 0), *told]).rows()
    return rows.take((rows.cell == 3) & ~rows.is_write)


RANDOM = np.random.default_rng(3).integers(0, 256, READS)
KINDS = {
    "status": [(0x80, 0x81)[n % 3 == 0] for n in range(READS)],
    "counter": [(0xD2 + n // 2) & 0xFF for n in range(READS)],
    "kept until it changes": [RANDOM[n // 20] for n in range(READS)],
}


@pytest.mark.parametrize("values", KINDS.values(), ids=KINDS.keys())
def test_a_registers_habit_is_found(values):
    assert log_registers(reads_of(values)) > -EVERY_BIT / 2.5


def test_what_nobody_drives_shows_what_the_bus_was_left_with():
    assert log_registers(reads_of(RANDOM, RANDOM)) > -10.0


def test_what_has_no_habit_costs_its_bits():
    assert log_registers(reads_of(RANDOM)) == pytest.approx(-EVERY_BIT, abs=3.0)


def test_a_device_is_one_also_where_the_traffic_makes_it_a_region_of_its_own():
    """No chips are named; the other region is sound, and this one has nothing but two registers."""
    rng = np.random.default_rng(5)
    told = [("w", c, c) for c in range(16)] + [("r", c, c) for c in range(16)] * 2
    for _ in range(READS):
        told += [("w", 20, int(rng.integers(256))), ("r", 20, 0x80 | int(rng.integers(4)))]
        told += [("w", 21, int(rng.integers(256))), ("r", 21, int(rng.integers(256)))]
    (rival,) = devices(without_chips(study_of(told)))
    assert (rival.fault, rival.addresses) == ("device", (20, 21))
    (named,) = devices(Story.of(study_of(told)))  # of chips that are named it is all that was read: less likely
    assert named.log_own == pytest.approx(rival.log_own - math.log(16 / 18), abs=2.0)
    assert named.log_prior < rival.log_prior - 3.0


def test_one_counter_shown_by_all_registers_is_cheap_and_a_chip_stuck_at_a_level_is_not():
    steps = np.cumsum(np.resize([16, 5, 16, 5, 5], READS)) & 0xFF
    told = [("w", c, 0) for c in range(16)] + [("r", n % 16, int(value)) for n, value in enumerate(steps)]
    rows = study_of(told).rows()
    assert log_device(rows.take(~rows.is_write)) > -EVERY_BIT / 3.0
    assert log_registers(rows.take(~rows.is_write)) < -EVERY_BIT / 1.2
    stuck = study_of([("w", c, 0) for c in range(16)] + [("r", n % 16, 0xFF) for n in range(READS)]).rows()
    same = stuck.take(~stuck.is_write)
    assert log_device(same) == pytest.approx(log_registers(same), abs=0.2)


def test_two_registers_that_come_again_at_every_second_address_are_guessed_once():
    """A status at all even addresses of a block, the last byte received at all odd ones."""
    told = [("w", cell, 0) for cell in range(16)]
    told += [("r", cell, (0x30, 0x80 + n)[cell & 1]) for n in range(3) for cell in range(16)]
    rows = study_of(told).rows()
    rows = rows.take(~rows.is_write)
    assert log_device(rows) > log_registers(rows) + 30.0
