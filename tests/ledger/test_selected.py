"""The region of a cycle whose high address lines are not clipped, told by the selects that are."""

from __future__ import annotations

import numpy as np
import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.bus import Layout
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import RegionMap, SelectedRegions
from busledger.decoder.ledger.regions import CAME, QUIET

A14, INSIDE = 1 << 14, 0x0FFF
BANKS = (
    Region("store0", 0x0000, 0x0FFF, "ram", "memory", "CS0", ()),
    Region("store1", 0x1000, 0x1FFF, "ram", "memory", "CS1", ()),
    Region("store4", 0x4000, 0x4FFF, "ram", "memory", "CS2", ()),  # without A14 it looks like store0
)


class Clipped(Layout):
    """All three selects have a clip."""

    def __init__(self) -> None:
        self._bits = {"CS0": 0, "CS1": 1, "CS2": 2}


def told(address: int, *active: str) -> tuple[int, int, list[int]]:
    """(address, its unknown bits, what is known of the selects of the three) of one read without A14."""
    board = Board(path="", name="wind vane", bus="z80", regions=BANKS)
    selected = SelectedRegions(board, RegionMap(BANKS), Clipped(), A14)
    cycles = Cycles.empty(1)
    cycles.kind[0], cycles.address[0], cycles.address_unknown[0], cycles.width[0] = Kind.READ, address, A14, 1
    levels = {line: np.array([0 if line in active else 1], np.int8) for line in ("CS0", "CS1", "CS2")}
    seen = selected.fill(cycles, levels)
    return int(cycles.address[0]), int(cycles.address_unknown[0]), seen[0].tolist()


def test_the_select_that_came_tells_the_line_that_is_not_clipped():
    assert told(0x0123, "CS2") == (0x4123, 0, [QUIET, QUIET, 0])
    assert told(0x0123, "CS0") == (0x0123, 0, [0, QUIET, QUIET])


def test_two_that_the_address_allows_tell_nothing():
    assert told(0x0123, "CS0", "CS2")[:2] == (0x0123, A14)


def test_one_that_comes_beside_it_for_another_address_is_the_decoder_s_doing():
    """CS1 also comes in a read of store4: the cycle is store4's all the same, and the decoder may be at fault."""
    assert told(0x0123, "CS2", "CS1") == (0x4123, 0, [QUIET, 0, 0])


@pytest.mark.parametrize("active", ["CS1", "CS2"])
def test_one_that_comes_alone_where_the_address_is_not_its_own_may_be_right(active):
    """Either the address or the select is amiss: nothing is quiet, and that region may be the one."""
    address = 0x0123 if active == "CS1" else 0x1123
    _, unknown, seen = told(address, active)
    assert unknown == A14 and seen.count(CAME) == 1 and QUIET not in seen
