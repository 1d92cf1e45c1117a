"""Reads in which faults that come and go met: no chip is charged with them, and a bad chip keeps its own."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.diagnosis import diagnose
from busledger.decoder.diagnosis.meetings import _Bender, _Mover, _Played
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.theory import PathFault

from .faulty_cards import CHIPS, Hardware, evidence_of
from .rows_of import study_of


class TwoLines(Hardware):
    """Of both banks: one access in five sees A1 low, one in five A2 high."""

    def at(self, address: int) -> int:
        if self.rng.random() < 1 / 5:
            address &= ~2
        return address | 4 if self.rng.random() < 1 / 5 else address

    def write(self, address: int, data: int) -> None:
        self.put(self.at(address), data)

    def read(self, address: int) -> int:
        return self.cells[self.at(address)]


class ShortAndBadNeighbour(Hardware):
    """D3 and D4 of the bus are joined in one read of six, low wins; U2 always gives D4 low in bank 0."""

    def read(self, address: int) -> int:
        data = self.cells[address] & (~0x10 if address < 16 else 0xFF)
        return data & ~0x18 if data & 0x18 != 0x18 and self.rng.random() < 1 / 6 else data


class ChipUnderALine(Hardware):
    """U1 sees A2 high in one access of four; U2 D7 low in every read: the low nibble alone comes from elsewhere."""

    def at(self, address: int) -> int:
        return address | 4 if address < 16 and self.rng.random() < 1 / 4 else address

    def write(self, address: int, data: int) -> None:
        self.put(self.at(address), data, 0x0F)
        self.put(address, data, 0xF0)

    def read(self, address: int) -> int:
        data = self.cells[self.at(address)] & 0x0F | self.cells[address] & 0xF0
        return data & ~0x80 if address < 16 else data


def convicted(hardware: Hardware, rounds: int = 40) -> set[str]:
    """The chips that are likelier bad than not."""
    found = diagnose(evidence_of(hardware, rounds))
    return {part.component for part in found.parts if part.bad >= 0.5 and part.component in CHIPS}


@pytest.mark.parametrize("seed", [1, 2])
def test_where_two_lines_of_the_board_act_at_once_no_chip_is_charged(seed):
    assert convicted(TwoLines(np.random.default_rng(seed))) == set()


def test_a_lane_that_a_bad_neighbour_pulls_low_through_a_short_is_no_chips_doing():
    """On another seed U1 is charged as well: that it reads low by itself is nearly as likely."""
    assert convicted(ShortAndBadNeighbour(np.random.default_rng(1))) == {"U2"}


@pytest.mark.parametrize("seed", [1, 2])
def test_lanes_of_a_plainly_bad_chip_that_come_right_tell_the_chip_beside_it_from_the_row(seed):
    assert convicted(ChipUnderALine(np.random.default_rng(seed))) == {"U1", "U2"}


def test_what_came_through_joined_lanes_is_not_what_the_cell_held():
    """33 is written; a read gives 3B, for D3 rose with D4; 3B is written back, and comes to the cell on the other side
    of A2; so 33 is read again."""
    reads = iter([0x3B, 0x33])
    study = study_of([("w", 1, 0x33), ("r", 1, 0x33), ("w", 1, 0x3B), ("r", 1, 0x3B)], lambda *_: next(reads))
    rows = study.rows()
    line = study.maps(PathFault("forced", (0, 2, 1), 0xFF, (0,)))
    rate = np.full(WINDOWS, 0.1)
    mover = _Mover(line.r1, line.w1, np.argsort(line.w1, kind="stable"), rate)
    bender = _Bender(lanes_kernel.OR, 0x18, (0,), True, False, rate)
    told = rows.holding(np.where(rows.wrong == 0x08, rows.data, rows.expected), rows.compared)
    told.wrong[3] = 0x08  # the first of the two is explained by the joined lanes

    def chance(was_wrong: np.ndarray) -> float:
        order = np.argsort(told.cell, kind="stable")
        return _Played(study, told, order, [mover], [bender], was_wrong).chance(3, 0x08)

    assert rows.wrong.tolist() == [0, 0x08, 0, 0x08]
    # By the lost write, beside a read of the other side, which nobody has written.
    assert chance(rows.wrong) - chance(np.zeros_like(rows.wrong)) == pytest.approx(0.1, rel=0.2)
