"""What ``--good``, ``--bad`` and ``--replaced`` add to the board: ranges, spellings, contradictions."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from busledger.decoder.board import Tested as BenchWord
from busledger.decoder.errors import UsageError
from busledger.decoder.pipeline import Request, bus_and_board
from busledger.decoder.pipeline.tested import with_tested
from tests.board.card import GOOD
from tests.diagnosis.small_cards import two_banks


def told(**options: Any) -> dict[str, str]:
    board = with_tested(two_banks(), **{"good": (), "bad": (), "replaced": (), **options})
    return {one.designator: one.result for one in board.tested}


def test_nothing_said_leaves_the_board_as_it_is() -> None:
    board = two_banks()
    assert with_tested(board, good=(), bad=(), replaced=()) is board


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("U3", ["U3"]),
        ("u3", ["U3"]),
        ("U1-U3", ["U1", "U2", "U3"]),
        ("U1-3", ["U1", "U2", "U3"]),
        ("U1, U4", ["U1", "U4"]),
        ("U4..U9", ["U4", "U9"]),  # the card has no U5 to U8
        ("U9-U11", ["U9", "U10", "U11"]),  # a decoder and two drivers
    ],
)
def test_designators_and_ranges(text: str, named: list[str]) -> None:
    assert told(bad=(text,)) == dict.fromkeys(named, "bad")


def test_each_option_says_its_own_and_a_replaced_part_is_no_longer_the_one_that_was_tested() -> None:
    assert told(good=("U1-U2",), bad=("U3", "U4"), replaced=("U4",)) == {
        "U1": "good", "U2": "good", "U3": "bad", "U4": "replaced",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"good": ("U1-U4",), "bad": ("U3",)}, "U3 was given with --good and with --bad"),
        ({"bad": ("U44",)}, "--bad names U44, which is not on the card.*nearest: .*U4"),
        ({"replaced": ("U1-U7",)}, "--replaced names U7, which is not on the card"),
        ({"good": ("U3-U1",)}, "cannot read the range U3-U1 after --good"),
        ({"good": ("U1-V3",)}, "cannot read the range U1-V3"),
        ({"good": ("U1-U999999",)}, "cannot read the range"),
        ({"good": ("",)}, "--good names no part"),
        ({"good": ("\x1b[31mU1",)}, r"--good names \\x1b\[31mU1"),
    ],
)
def test_slips_are_told(options: dict[str, Any], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        told(**options)


def test_the_board_file_is_added_to_and_contradicted_only_by_a_replacement() -> None:
    board = replace(two_banks(), tested=(BenchWord("U1", "bad", "chip tester"), BenchWord("U2", "good", "swap")))
    same = with_tested(board, good=("U2",), bad=(), replaced=("U1",))
    assert same.tested == (BenchWord("U1", "replaced"), BenchWord("U2", "good", "swap"))
    with pytest.raises(UsageError, match="U2 was given with --bad, but the board file says good"):
        with_tested(board, good=(), bad=("U2",), replaced=())


def test_a_request_needs_a_board_that_names_its_parts(tmp_path: Path) -> None:
    (tmp_path / "card.toml").write_text(GOOD)
    _, board = bus_and_board(Request("run.vcd", tmp_path / "card.toml", replaced=("U2",)))
    assert board is not None and board.tested == (BenchWord("U2", "replaced"),)
    with pytest.raises(UsageError, match="--good names parts, but no board file says which are on the card"):
        bus_and_board(Request("run.vcd", profile="z80", good=("U2",)))
