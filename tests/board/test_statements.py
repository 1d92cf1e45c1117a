"""Statements of a board file on what is not plain memory, and on parts tested: read as written, slips told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from busledger.decoder import board as card
from busledger.decoder.board import LatchValue, LineLevel, load_board
from busledger.decoder.errors import BoardError
from tests.board.card import GOOD

Write = Callable[[str], Path]

BANKED = """
[board]
name = "Loom controller memory"
bus = "6502"

[[region]]
name = "pattern0"
start = 0x8000
end = 0xBFFF
kind = "ram"
when = { line = "/BANK0", level = 1 }

[[region]]
name = "pattern1"
start = 0x8000
end = 0xBFFF
kind = "ram"
when = { latch = 0xC000, mask = 0x03, value = 2 }
write_protect = { line = "WP", level = 0 }

[[region]]
name = "stack"
start = 0x0000
end = 0x03FF
kind = "ram"
chips = [{ designator = "U5", part = "2114", lanes = "D0-D3" }, { designator = "U6", part = "2114", lanes = "D4-D7" }]

[[region]]
name = "stack again"
start = 0x0400
end = 0x07FF
kind = "ram"
mirror_of = "stack"

[[region]]
name = "mailbox"
start = 0x1000
end = 0x10FF
kind = "ram"
shared = true
write_protect = true

[[tested]]
designator = "U5"
result = "good"
how = "chip tester"
"""


def mistakes(path: Path, **known: object) -> list[str]:
    with pytest.raises(BoardError) as caught:
        load_board(path, **known)  # type: ignore[arg-type]
    return [line.split(".toml, ", 1)[1] for line in str(caught.value).splitlines()]


def test_statements_are_read_as_written(board_file: Write) -> None:
    board = load_board(board_file(BANKED), data_bits=8, address_bits=16)
    zero, one, _, again, mailbox = board.regions
    assert zero.when == LineLevel("BANK0", 1)
    assert one.when == LatchValue(0xC000, "memory", 3, 2)
    assert (one.write_protect, mailbox.write_protect, zero.write_protect) == (LineLevel("WP", 0), True, False)
    assert (again.mirror_of, mailbox.shared, zero.shared) == ("stack", True, False)
    assert board.tested == (card.Tested("U5", "good", "chip tester"),)
    assert {"BANK0", "WP"} <= set(board.lines())


def test_a_plain_card_says_nothing_of_the_kind(board_file: Write) -> None:
    board = load_board(board_file(GOOD))
    assert board.tested == ()
    assert {(r.when, r.mirror_of, r.shared, r.write_protect) for r in board.regions} == {(None, None, False, False)}


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('{ line = "/BANK0", level = 1 }', '{ line = "BANK0", level = 2 }', ["when, level: found 2; expected 0 or 1"]),
        ('{ line = "/BANK0", level = 1 }', "{ level = 1 }", ["when: neither a line nor a latch"]),
        ('{ line = "/BANK0", level = 1 }', '"BANK0"', ['when: found "BANK0"; expected { line']),
        ("latch = 0xC000, mask = 0x03", 'line = "X", latch = 0xC000, mask = 0x03', ["when: both a line and a latch"]),
        ("mask = 0x03, value = 2", "value = 2", ["when, mask: the key is missing; expected the bits that count"]),
        ("mask = 0x03, value = 2", "mask = 0x03, value = 4", ["when.value: 0x4, with bits outside the mask 0x3"]),
        ("mask = 0x03, value = 2", "mask = 0x100, value = 0", ["when.mask: 0x100 is wider than the bus"]),
        ("mask = 0x03, value = 2", "mask = 0, value = 0", ["when.mask: 0, which no bit is"]),
        ("latch = 0xC000", "latch = 0x1C000", ["when.latch: 0x1C000 is outside the bus"]),
        (
            'mirror_of = "stack"',
            'mirror_of = "stak"',
            ['mirror_of: no region "stak"; expected a region of this file; nea'],
        ),
        ('mirror_of = "stack"', 'mirror_of = "stack again"', ["mirror_of: the region itself"]),
        (
            "end = 0x07FF",
            "end = 0x06FE",
            ["mirror_of: the mirror is 767 addresses from 0x400 on", "mirror_of: 767 add"],
        ),
        ("shared = true", 'shared = "yes"', ['shared: found "yes"; expected true or false']),
        ("write_protect = true", "write_protect = 1", ["write_protect: found 1; expected true, or {"]),
        ('designator = "U5"\nresult', 'designator = "U7"\nresult', ['designator: no part "U7"; expected a designator']),
        ('result = "good"', 'result = "fine"', ['result: found "fine"; expected good, bad or replaced']),
        (
            "[[tested]]",
            '[[tested]]\ndesignator = "U5"\nresult = "bad"\n[[tested]]',
            ['designator: "U5" is already [[tes'],
        ),
    ],
)
def test_each_slip_is_named(board_file: Write, old: str, new: str, told: list[str]) -> None:
    assert old in BANKED
    found = mistakes(board_file(BANKED.replace(old, new, 1)), data_bits=8, address_bits=16)
    assert len(found) == len(told)
    for line, wanted in zip(found, told, strict=True):
        assert wanted in line


def test_regions_may_share_a_range_only_under_conditions_of_their_own(board_file: Write) -> None:
    same = BANKED.replace("{ latch = 0xC000, mask = 0x03, value = 2 }", '{ line = "BANK0", level = 1 }')
    (found,) = mistakes(board_file(same))
    assert "overlaps region" in found and "each with a condition (when) of its own" in found
    none = BANKED.replace('when = { line = "/BANK0", level = 1 }\n', "")
    assert "overlaps region" in mistakes(board_file(none))[0]
