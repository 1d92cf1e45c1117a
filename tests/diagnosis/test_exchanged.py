"""Two address clips exchanged: memory gives, and selects show, what belongs to the address with both put back."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.exchanged import clips_exchanged
from busledger.decoder.diagnosis.rivals.story import Story

from .rows_of import study_of

SLIP = math.log(1000.0)  # a settled line sampled wrong: weighing.LOG_SLIP
LINES = {bit: f"A{bit}" for bit in range(16)}


def put_back(address):
    """A0 and A4 exchanged."""
    return address & ~17 | address >> 4 & 1 | (address & 1) << 4


def exchanged(accesses, selected=None, first="ram"):
    """The story of these accesses as the clips show them; ``selected``: which regions' selects came, a bit each;
    ``first``: the kind of the first region."""
    study = study_of(accesses)
    signs = SimpleNamespace(address_lines=LINES, data_lines={}, names=tuple(LINES.values()))
    board = study.evidence.board
    regions = (replace(board.regions[0], kind=first), *board.regions[1:])
    study = Study(replace(study.evidence, exchanged=(("A0", "A4"), "A0 and A4 look swapped"), signs=signs,
                          board=replace(board, regions=regions)))  # fmt: skip
    told = Story.of(study).told
    if selected is not None:
        came, both = np.array(selected, np.uint64), np.full(len(accesses), 3, np.uint64)
        told = replace(told, rows=replace(told.rows, selected=came, selects_seen=both))
    return Story(study, told)


def test_memory_is_where_the_lines_lead_that_are_put_back():
    """Cells 1 and 16 change places, and look as well as before; 2 and 3 (19 put back) stay apart."""
    accesses = [("w", 1, 0x11), ("w", 16, 0x22), ("w", 2, 0x33), ("r", 1, 0x11), ("r", 16, 0x22), ("r", 2, 0x33)]
    (rival,) = clips_exchanged(exchanged(accesses))
    assert (rival.explains, rival.against) == (0, 0) and rival.log_seen == 0.0


@pytest.mark.parametrize("clips", [True, False])
def test_selects_that_come_where_the_lines_lead_speak_for_it(clips):
    """Each access to 1 or 16 wakes the bank on the other side; or selects follow the lines as they are shown."""
    accesses = [(kind, c, 7 * c) for c in (1, 16, 2, 3) for kind in "wrr"]
    meant = [put_back(c) if clips else c for _, c, _ in accesses]
    (rival,) = clips_exchanged(exchanged(accesses, [1 << (address >> 4) for address in meant]))
    # 1, 16 and 3 lead to the other bank: its select came, and the own one did not.
    assert rival.log_seen == pytest.approx((2 if clips else -2) * 9 * SLIP)


@pytest.mark.parametrize(("first", "told"), [("ram", (0, 1)), ("rom", (1, 0))])
def test_memory_that_is_shown_at_a_rom_s_addresses_may_have_been_given_anything(first, told):
    """Cell 1 lies in the second bank, with the lines put back; nobody logs writes that a ROM is shown to get."""
    (rival,) = clips_exchanged(exchanged([("w", 1, 0x11), ("r", 1, 0x47)], first=first))
    assert (rival.explains, rival.against) == told
