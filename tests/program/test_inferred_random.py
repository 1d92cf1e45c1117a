"""Random programs on the buses of an NMOS 6502 and a 65C02 without SYNC: what is given is right, most is given."""

from __future__ import annotations

import pytest

from tests.program.cmos_6502 import MPU as MPU65C02
from tests.program.cmos_6502 import Bus65C02
from tests.program.nmos_6502 import CODE, LEFT_OUT, Bus6502, random_program
from tests.program.test_inferred_6502 import inferred


@pytest.mark.parametrize("seed", range(6))
def test_interrupts_are_told_from_the_program(seed):
    bus = Bus6502(random_program(seed), CODE)
    while len(bus.rows) < 4000:
        if len(bus.begins) % 97 == 50 and not bus.cpu.p & bus.cpu.INTERRUPT:
            bus.interrupt()
        bus.step()
    got = set(inferred(bus.rows))
    assert got <= set(bus.begins)
    assert len(got) >= 0.95 * len(bus.begins)
    assert {address for _, address in bus.begins} & {0x1031} <= {address for _, address in got}


@pytest.mark.parametrize("seed", range(24))
def test_a_random_program_met_in_the_middle(seed):
    bus = Bus6502(random_program(seed), CODE)
    while len(bus.rows) < 4000:
        bus.step()
    first = 37 * seed + 5
    right = {(row - first, address) for row, address in bus.begins if row >= first}
    got = set(inferred(bus.rows[first:], blocks=1 + seed % 3))
    assert got <= right
    assert len(got) >= 0.95 * len(right)


@pytest.mark.parametrize("seed", range(16))
def test_a_65c02_met_in_the_middle(seed):
    left_out = frozenset(LEFT_OUT - {"SED"} | {"WAI", "STP"})
    bus = Bus65C02(random_program(seed, cpu=MPU65C02, left_out=left_out, bit_branches=True), CODE)
    while len(bus.rows) < 4000:
        if len(bus.begins) % 97 == 50 and not bus.cpu.p & bus.cpu.INTERRUPT:
            bus.interrupt()
        bus.step()
    first = 41 * seed
    right = {(row - first, address) for row, address in bus.begins if row >= first}
    got = set(inferred(bus.rows[first:], "65c02", blocks=1 + seed % 3))
    assert got <= right
    assert len(got) >= 0.95 * len(right)
