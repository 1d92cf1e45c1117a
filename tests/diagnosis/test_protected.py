"""Half a page that keeps what it held: rows of the cells of one chip, or a switch before several."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busledger.decoder.board import Chip, Region
from busledger.decoder.diagnosis import Evidence, ProfileFacts
from busledger.decoder.diagnosis.replay.study import Study
from busledger.decoder.diagnosis.rivals.protected import read_only
from busledger.decoder.diagnosis.rivals.story import Story

from .small_cards import log_of, two_banks

CELLS = 64
CHIPS = (Chip("U1", None, (0, 1, 2, 3)), Chip("U2", None, (4, 5, 6, 7)))


def kept(lanes):
    """Every cell is written and read twice, with other data; from 32 on these lanes keep what they held."""
    board = replace(two_banks(), regions=(Region("bank0", 0, CELLS - 1, "ram", "memory", None, CHIPS),), decoders=(),
                    buffers=())  # fmt: skip
    told = []
    for turn in range(2):
        for c in range(CELLS):
            data, held = (0x35 + 41 * turn + c) & 0xFF, (0xC2 ^ 7 * c) & 0xFF
            found = data & ~lanes | held & lanes if c >= 32 else data
            told += [("w", c, data), ("r", c, found)]
    return Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, told), 1e-9)))


def test_half_a_page_in_two_chips_alike_is_behind_one_switch():
    rival = max(read_only(kept(0xFF)), key=lambda rival: rival.log_prior + rival.log_own)
    assert (rival.fault, rival.addresses, rival.against) == ("read-only", (32, 63), 0)


@pytest.mark.parametrize("lanes", [0x0F, 0xF0])
def test_half_a_page_in_one_chip_is_rows_of_its_cells(lanes):
    assert not list(read_only(kept(lanes)))


def test_a_cell_that_is_written_to_and_fro_between_two_reads_does_not_show_that_writes_take():
    """Every cell keeps what it held; of some the last one written is that by chance."""
    board = replace(two_banks(), regions=(Region("bank0", 0, CELLS - 1, "ram", "memory", None, CHIPS),), decoders=(),
                    buffers=())  # fmt: skip
    held = [(0xC2 ^ 7 * c) & 0xFF for c in range(CELLS)]
    told = []
    for c in range(CELLS):
        told += [("w", c, held[c] ^ 0x5A), ("r", c, held[c])]
    for c in range(CELLS):
        told += [("w", c, 0x3C), ("w", c, held[c] if c % 8 == 0 else 0xC3), ("r", c, held[c])]
    story = Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, told), 1e-9)))
    assert [rival.addresses for rival in read_only(story)] == [(0, CELLS - 1)]


def test_a_switch_turned_while_a_test_walks_up_is_one_of_the_whole_row():
    """What was written before the switch was turned is lost, what was written after it took; nothing else is known."""
    board = replace(two_banks(), regions=(Region("bank0", 0, CELLS - 1, "ram", "memory", None, CHIPS),), decoders=(),
                    buffers=())  # fmt: skip
    told = [("w", c, (0x35 + c) & 0xFF) for c in range(CELLS)]
    told += [("r", c, (0xC2 ^ 7 * c) & 0xFF if c < 40 else (0x35 + c) & 0xFF) for c in range(CELLS)]
    story = Story.of(Study(Evidence(board, ProfileFacts(16, 8), (), log_of(board, told), 1e-9)))
    switched = [rival for rival in read_only(story) if "at times" in rival.summary]
    assert [(rival.addresses, rival.explains) for rival in switched] == [((0, CELLS - 1), 40)]
