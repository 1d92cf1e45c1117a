"""Shared faults that were judged without chips which something else explains: no gift of what nobody looked at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busledger.decoder.board import Buffer, BufferPart, parts
from busledger.decoder.diagnosis.card import Card
from busledger.decoder.diagnosis.overlay import Aside, Blind, FoundFault
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.search import search

from .faulty_cards import HIGH_NIBBLE, LOW_NIBBLE, Hardware, evidence_of
from .rows_of import acting, candidate, laid_over, study_of
from .small_cards import two_banks


class DriverAndAddressPin(Hardware):
    """The driver of D4-D7 passes no write on, so those cells keep what they held when power came; U1 (D0-D3 of bank 0)
    sees its A1 low."""

    others = 0  # lanes of bank 0 beside U1's that are led to the other cell as well

    def there(self, address):
        return address & ~2 if address < 16 else address

    def write(self, address, data):
        self.put(self.there(address), data, LOW_NIBBLE)

    def read(self, address):
        led = LOW_NIBBLE | self.others
        return self.cells[address] & ~led | self.cells[self.there(address)] & led


class DriverAndRow(DriverAndAddressPin):
    """Both chips of bank 0 see A1 low."""

    others = HIGH_NIBBLE


def found_on(hardware):
    board = two_banks()
    driver = parts().get("8T28")
    assert isinstance(driver, BufferPart)
    nibbles = [Buffer(name, driver, lanes=lanes, serves=("bank0", "bank1"))
               for name, lanes in (("U10", (0, 1, 2, 3)), ("U12", (4, 5, 6, 7)))]  # fmt: skip
    board = replace(board, buffers=(*nibbles, board.buffers[1]))
    study = Study(evidence_of(hardware(np.random.default_rng(7)), rounds=4, board=board))
    card = Card(study, study.rows())
    best = search(card)[0]
    bad = {unit.name for unit, chance in zip(card.units, best.bad, strict=True) if chance > 0.9}
    return {path.key[:3] for path in best.paths}, bad


DRIVER = ("direction-stuck", "buffer", "U12")


@pytest.mark.parametrize(
    ("hardware", "shared", "chips"),
    [
        (DriverAndAddressPin, {DRIVER}, {"U1"}),
        (DriverAndRow, {DRIVER, ("address-stuck", "region", None)}, set()),
    ],
)
def test_lanes_that_nobody_looked_at_speak_for_no_row(hardware, shared, chips):
    """What U2 holds is not known, and was never written: that it follows A1 as well shows only if one looks."""
    assert found_on(hardware) == (shared, chips)


def test_what_came_right_where_the_row_was_led_elsewhere_is_told_of_a_chip_that_nobody_looked_at():
    """A1 of bank 0 is low now and then; U1 (D0-D3) shows the other cell. U2, left out, shows that in one read, and in
    the other what was due, though the other cell holds something else."""
    told = [("w", 3, 0x33), ("w", 1, 0x11), ("r", 3, 0x11), ("r", 3, 0x31)]
    study = study_of(told)
    low = candidate(study, "address-stuck", "region", region=0, lines=(1,))
    way = next(k for k, v in enumerate(low.variants) if "low" in v.label)
    overlay = FoundFault(acting(low, hard=False, way=way), study, Blind({0: HIGH_NIBBLE}, 2))
    left = laid_over(overlay, study.rows())
    assert not left.wrong.any()
    assert overlay.came_right is not None
    assert overlay.came_right.index.tolist() == [study.rows().index[3]]
    assert overlay.came_right.wrong.tolist() == [0x20]


def test_lanes_are_left_aside_as_long_as_the_set_has_their_fault():
    aside = Aside({0: 0x30}, 2)
    assert aside.is_told({0: 0xF0, 1: 0x01})
    assert not aside.is_told({0: 0x10, 1: 0x30})
    assert not aside.is_told({})
