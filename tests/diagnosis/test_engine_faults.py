"""Each kind of fault, put into a small card of two banks: the engine names the part first, and what is wrong."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis import diagnose

from .faulty_cards import CHIPS, HIGH_NIBBLE, LOW_NIBBLE, Hardware, SelectExtra, evidence_of


class StuckLane(Hardware):
    def read(self, address: int) -> int:
        data = self.cells[address]
        return data & ~0x20 if address < 16 and self.acts() else data


class BufferLane(Hardware):
    def read(self, address: int) -> int:
        return self.cells[address] | 0x02 if self.acts() else self.cells[address]


class ShortedLanes(Hardware):
    def read(self, address: int) -> int:
        data = self.cells[address]
        if address >= 16 and data & 0x06 != 0x06 and self.acts():
            data &= ~0x06
        return data


class WritesLost(Hardware):
    def write(self, address: int, data: int) -> None:
        self.put(address, data, LOW_NIBBLE if address < 16 and self.acts() else 0xFF)


class Dead(Hardware):
    def write(self, address: int, data: int) -> None:
        self.put(address, data, HIGH_NIBBLE if address < 16 and self.acts() else 0xFF)

    def read(self, address: int) -> int:
        if address < 16 and self.acts():
            return self.cells[address] & HIGH_NIBBLE | self.bus & LOW_NIBBLE
        return self.cells[address]


class ChipAddress(Hardware):
    """U4 sees A2 low."""

    def at(self, address: int) -> int:
        return address & ~4 if address >= 16 and self.acts() else address

    def write(self, address: int, data: int) -> None:
        self.put(address, data, LOW_NIBBLE)
        self.put(self.at(address), data, HIGH_NIBBLE)

    def read(self, address: int) -> int:
        return self.cells[address] & LOW_NIBBLE | self.cells[self.at(address)] & HIGH_NIBBLE


class CardAddress(Hardware):
    """A1 and A3 shorted on the card: both see the AND."""

    def at(self, address: int) -> int:
        return address if address & 0b1010 == 0b1010 or not self.acts() else address & ~0b1010

    def write(self, address: int, data: int) -> None:
        self.put(self.at(address), data)

    def read(self, address: int) -> int:
        return self.cells[self.at(address)]


class SelectMissing(Hardware):
    def write(self, address: int, data: int) -> None:
        if address < 16 or not self.acts():
            self.put(address, data)

    def read(self, address: int) -> int:
        return self.bus if address >= 16 and self.acts() else self.cells[address]


class NeverTowardProcessor(Hardware):
    def read(self, address: int) -> int:
        return 0xFF if self.acts() else self.cells[address]


class StuckCell(Hardware):
    def read(self, address: int) -> int:
        return self.cells[address] | 0x40 if address == 9 else self.cells[address]


class Coupled(Hardware):
    """A write of cell 6 inverts lane 0 of cell 7."""

    def write(self, address: int, data: int) -> None:
        self.put(address, data)
        if address == 6:
            self.cells[7] ^= 1


class NotEnabled(Hardware):
    """U10 drives neither side: the bus keeps its level in reads, and in writes the cells take the open lines' high."""

    def write(self, address: int, data: int) -> None:
        self.put(address, 0xFF if self.acts() else data)

    def read(self, address: int) -> int:
        return self.bus if self.acts() else self.cells[address]


FAULTS = [
    (StuckLane, "stuck-low", "chip", "U2", {"lanes": ("D5",)}),
    (BufferLane, "stuck-high", "buffer", "U10", {"lanes": ("D1",)}),
    (ShortedLanes, "bridged", "chip", "U3", {"lanes": ("D1", "D2")}),
    (WritesLost, "write-lost", "chip", "U2", {"region": "bank0"}),
    (Dead, "dead", "chip", "U1", {"region": "bank0"}),
    (ChipAddress, "address-stuck", "chip", "U4", {"address_lines": ("A2",)}),
    (CardAddress, "address-bridged", "board", "U11", {"address_lines": ("A1", "A3")}),
    (SelectMissing, "select-missing", "decoder", "U9", {"region": "bank1"}),
    (SelectExtra, "select-extra", "decoder", "U9", {"region": "bank0", "other_region": "bank1"}),
    (NeverTowardProcessor, "direction-stuck", "buffer", "U10", {}),
    (NotEnabled, "direction-stuck", "buffer", "U10", {}),
]


@pytest.mark.parametrize("rate", [1.0, 0.05], ids=["always", "one in twenty"])
@pytest.mark.parametrize(("hardware", "fault", "scope", "component", "also"), FAULTS, ids=[f[1] for f in FAULTS])
def test_the_part_is_named(hardware, fault, scope, component, also, rate):
    found = diagnose(evidence_of(hardware(np.random.default_rng(1), rate)))
    first = found.suspects[0]
    named = [first, *(s for s in found.suspects if s.rank in first.tied_with)]
    right = [s for s in named if (s.fault, s.scope, s.component) == (fault, scope, component)]
    assert right, [(s.summary, s.probability) for s in found.suspects]
    assert all(getattr(right[0], key) == value for key, value in also.items())
    assert sum(s.probability for s in named) > 0.9
    assert right[0].intermittent == (rate < 1.0)


@pytest.mark.parametrize(
    ("hardware", "fault", "address", "lane"),
    [(StuckCell, "stuck-high", 9, "D6"), (Coupled, "coupled", 7, "D0")],
)
def test_the_cell_is_named(hardware, fault, address, lane):
    found = diagnose(evidence_of(hardware(np.random.default_rng(2))))
    first = found.suspects[0]
    assert (first.fault, first.scope, first.address, first.lanes) == (fault, "cell", address, (lane,))
    assert first.component == ("U2" if lane == "D6" else "U1")
    assert first.probability > 0.8
    assert found.unexplained == 0


def test_a_leaky_chip_is_told_from_a_stuck_one():
    class Leaky(Hardware):
        """U3 loses its highs 40 accesses after a write."""

        def __init__(self, rng):
            super().__init__(rng)
            self.now, self.written = 0, dict.fromkeys(range(32), 0)

        def write(self, address, data):
            self.now += 1
            self.put(address, data)
            self.written[address] = self.now

        def read(self, address):
            self.now += 1
            if address >= 16 and self.now - self.written[address] > 40:
                self.put(address, 0, LOW_NIBBLE)
            return self.cells[address]

    first = diagnose(evidence_of(Leaky(np.random.default_rng(3)))).suspects[0]
    assert (first.fault, first.scope, first.component) == ("leaky", "chip", "U3")


def test_two_faults_at_once_are_both_in_the_first_places():
    class Two(StuckLane):
        def read(self, address):
            return super().read(address) if address < 16 else self.cells[address]

        def write(self, address, data):
            self.put(address, data, HIGH_NIBBLE if address >= 16 else 0xFF)

    found = diagnose(evidence_of(Two(np.random.default_rng(4))))
    assert {(s.component, s.fault) for s in found.suspects[:3]} >= {("U2", "stuck-low"), ("U3", "write-lost")}
    assert found.unexplained == 0
    assert CHIPS["U3"] == (1, LOW_NIBBLE)


class CardLineAndLane(Hardware):
    """The whole card sees A2 low, and lane 5 of bank 0 reads low: each bends reads of the other."""

    def at(self, address: int) -> int:
        return address & ~4

    def write(self, address: int, data: int) -> None:
        self.put(self.at(address), data)

    def read(self, address: int) -> int:
        data = self.cells[self.at(address)]
        return data & ~0x20 if address < 16 else data


def test_two_faults_that_act_always_are_not_taken_for_two_that_come_and_go():
    found = diagnose(evidence_of(CardLineAndLane(np.random.default_rng(1), 1.0)))
    address, lane = found.suspects[:2]
    assert (address.fault, address.scope, address.address_lines) == ("address-stuck", "board", ("A2",))
    assert (lane.fault, lane.component, lane.lanes) == ("stuck-low", "U2", ("D5",))
    assert not address.intermittent and not lane.intermittent
    assert sum((s.component, s.fault) == ("U11", "address-stuck") for s in found.suspects) == 1
    assert found.unexplained == 0
