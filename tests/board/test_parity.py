"""Ninth-bit chips: on the card, on its supply and in its drawing, on no lane of the bus."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder.board import card_power, load_board
from busledger.decoder.errors import BoardError
from busledger.decoder.report import board_svg, card_rows

Write = Callable[[str], Path]


def card(parity: str) -> str:
    chips = "".join(f'  {{ designator = "U{n}", part = "2102", lanes = "D{n}" }},\n' for n in range(8))
    return f"""
[board]
name = "Weighbridge store"
bus = "z80"
[[region]]
name = "bank0"
start = 0
end = 0x3FF
kind = "ram"
chips = [
{chips}  {{ designator = "U8", part = "2102", lanes = {parity} }},
]
"""


@pytest.mark.parametrize("word", ['"P"', '"parity"'])
def test_a_parity_chip_is_listed_drawn_and_fed_but_on_no_lane(board_file: Write, word: str) -> None:
    """Nine 2102 of 30 mA typical and 70 at most (Intel 2102 data sheet, from memory)."""
    board = load_board(board_file(card(word)), data_bits=8)
    assert board.regions[0].lanes == tuple(range(8))
    assert [(one.region, one.chip.designator, one.byte) for one in board.parity] == [("bank0", "U8", None)]
    assert card_power(board).rails[5] == (9 * 30, 9 * 70)
    row = card_rows(board)[-1]
    assert (row.label, [(part.name, part.serves) for part in row.parts if part]) == (
        "parity",
        [("U8", "bank0 parity")],
    )


def test_its_mistakes_are_told_like_any_chips(board_file: Write) -> None:
    with pytest.raises(BoardError) as caught:
        load_board(board_file(card('"P", grade = "3ns"').replace('"U8"', '"U7"')))
    said = str(caught.value)
    assert '"3ns" is no grade of part 2102' in said and "designator" in said


def test_a_tested_part_may_be_a_ninth_bit_or_a_regulator(board_file: Write) -> None:
    tested = "".join(f'[[tested]]\ndesignator = "{name}"\nresult = "good"\n' for name in ("U8", "VR1"))
    supply = '[[regulator]]\ndesignator = "VR1"\npart = "7805"\ninput = 8.0\n'
    board = load_board(board_file(card('"P"') + supply + tested), data_bits=8)
    assert [one.designator for one in board.tested] == ["U8", "VR1"]


def test_a_mirror_has_no_ninth_bit_of_its_own(board_file: Write) -> None:
    mirror = """
[[region]]
name = "again"
start = 0x400
end = 0x7FF
kind = "ram"
mirror_of = "bank0"
chips = [{ designator = "U9", part = "2102", lanes = "P" }]
"""
    with pytest.raises(BoardError, match="chips in a mirror"):
        load_board(board_file(card('"P"') + mirror), data_bits=8)


def test_a_parity_chip_for_each_byte_of_a_word(board_file: Write) -> None:
    """Eighteen 2102, drawn under the byte that each keeps, and fed; text and picture show the same."""
    chips = "".join(f'  {{ designator = "U{n}", part = "2102", lanes = "D{n}" }},\n' for n in range(8, 16))
    both = f'"P0" }},\n{chips}  {{ designator = "U17", part = "2102", lanes = "P1"'
    words = (
        card(both)
        .replace('bus = "z80"', 'bus = "68000"')
        .replace('"U8", part = "2102", lanes = "P0"', '"U16", lanes = "P0", part = "2102"')
    )
    board = load_board(board_file(words), data_bits=16)
    assert board.regions[0].lanes == tuple(range(16))
    assert [(one.chip.designator, one.lanes) for one in board.parity] == [
        ("U16", tuple(range(8))),
        ("U17", tuple(range(8, 16))),
    ]
    assert card_power(board).rails[5] == (18 * 30, 18 * 70)
    row = card_rows(board)[-1]
    assert [(part.name, part.serves) for part in row.parts if part] == [
        ("U16", "bank0 parity P0"),
        ("U17", "bank0 parity P1"),
    ]
    assert "bank0 parity P1" in board_svg(board, address_bits=24)
