"""The board files that lie with the captures of independently written CPU cores load as they are."""

from __future__ import annotations

import pytest

from busledger.decoder.board import load_board
from tests.shared_captures import FOLDER, or_skip

BOARDS = sorted(FOLDER.glob("*/board.toml"))


@pytest.mark.parametrize("path", or_skip(BOARDS), ids=lambda p: p and p.parent.name)
def test_a_card_of_four_banks_of_two_chips(path) -> None:
    board = load_board(path, data_bits=8, address_bits=16)
    banks = [r for r in board.regions if r.kind == "ram"]
    assert [r.name for r in banks] == ["bank0", "bank1", "bank2", "bank3"]
    assert all(r.size == 1024 and [c.part.name for c in r.chips] == ["2114", "2114"] for r in banks)
    assert [c.designator for r in banks for c in r.chips] == [f"U{i}" for i in range(1, 9)]
    for k, region in enumerate(banks):
        found = board.select_source(region)
        assert found is not None and (found[0].designator, found[1]) == ("U9", f"Y{k}")
