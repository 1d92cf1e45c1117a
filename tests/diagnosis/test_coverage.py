"""What the capture exercised, and the sentences on what it did not."""

from __future__ import annotations

import json

import pytest

from busledger.decoder.board import Board, Region
from busledger.decoder.diagnosis.coverage.coverage import coverage_of
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from tests.diagnosis.small_cards import Access, log_of, two_banks, walk


def _coverage(board: Board, traffic: list[Access], block: int | None = None) -> dict:
    counter = CoverageCounter(board, 16, 8)
    for cycles, compared in log_of(board, traffic).blocks():
        step = block or max(1, len(cycles))
        for start in range(0, len(cycles), step):
            counter.feed(cycles.slice(start, start + step), compared.slice(start, start + step))
    return coverage_of(counter)


def test_a_walk_over_everything_leaves_no_gap() -> None:
    found = _coverage(two_banks(), walk())
    assert found["not_exercised"] == []
    bank = found["regions"][0]
    assert (bank["name"], bank["cells"], bank["cells_written"], bank["cells_read"]) == ("bank0", 16, 16, 16)
    assert bank["share_compared"] == 1.0
    assert [line["line"] for line in bank["address_lines"]] == ["A0", "A1", "A2", "A3"]
    assert all(line["told_apart"] > 0 and line["changes"] > 0 for line in bank["address_lines"])
    assert all(lane["low"] > 0 and lane["high"] > 0 and lane["rises"] > 0 for lane in bank["lanes"])
    assert bank["told_apart_from"]["bank1"] > 0
    assert json.loads(json.dumps(found)) == found


def test_counts_are_those_of_a_capture_counted_by_hand() -> None:
    """w 0=01, w 1=02, r 0, r 1: A0 told apart at cell 0 only, whose partner was written after it."""
    found = _coverage(two_banks(), [("w", 0, 1), ("w", 1, 2), ("r", 0, 1), ("r", 1, 2)])
    bank = found["regions"][0]
    assert (bank["cells_written"], bank["cells_read"], bank["cells_compared"]) == (2, 2, 2)
    assert bank["address_lines"][0] == {"line": "A0", "changes": 1, "tested": 1, "told_apart": 1}
    assert bank["address_lines"][1] == {"line": "A1", "changes": 0, "tested": 0, "told_apart": 0}
    assert bank["lanes"][0] == {"lane": "D0", "low": 1, "high": 1, "falls": 1, "rises": 1}
    assert bank["lanes"][2] == {"lane": "D2", "low": 2, "high": 0, "falls": 0, "rises": 0}


@pytest.mark.parametrize(
    ("traffic", "said"),
    [
        (walk(banks=(0,)), "bank1 was never accessed: nothing is known of it."),
        ([], "bank0 and bank1 were never accessed: nothing is known of them."),
        ([("r", 3, 1), ("w", 5, 1)], "bank0: accessed, but no read came after a write to the same address."),
        (
            [(k, a, d | 0x80) for k, a, d in walk()],
            "bank0 and bank1: D7 never expected low, so stuck high would not show.",
        ),
        ([(k, a, d & ~0x03) for k, a, d in walk()], "bank0 and bank1: D0, D1 never expected high, so stuck low would"),
        (
            [access for access in walk() if access[1] & 8 == 0],
            "bank0 and bank1: A3 not tested for aliasing (no cell held while its partner got other data).",
        ),
        (
            [access for access in walk() if access[1] & 8 == 0],
            "bank0 and bank1: 8 of 16 cells compared (50 %) in each; a bad cell elsewhere would not show.",
        ),
        (
            [x for k, a, d in walk(20, banks=(0,)) for x in ((k, a, d), (k, a + 16, d))],
            "Selects not told apart by the data: bank0 from bank1.",
        ),
    ],
)
def test_each_gap_has_its_sentence(traffic: list[Access], said: str) -> None:
    gaps = _coverage(two_banks(), traffic)["not_exercised"]
    assert any(said in gap for gap in gaps), gaps


def test_aliasing_is_not_tested_by_writing_a_cell_after_its_partner() -> None:
    """Had A0 been stuck, cell 1 would still have read right: its own write came last."""
    found = _coverage(two_banks(), [("w", 0, 1), ("w", 1, 2), ("r", 1, 2)])
    assert found["regions"][0]["address_lines"][0]["told_apart"] == 0


def test_a_line_that_fails_the_test_was_tested() -> None:
    """Cell 0 gives what its partner across A0 was given: told apart never, tested once."""
    traffic: list[Access] = [("w", 0, 1), ("w", 1, 2), ("r", 0, 1)]
    counter = CoverageCounter(two_banks(), 16, 8)
    for cycles, compared in log_of(two_banks(), traffic, lambda address, data: 2).blocks():
        counter.feed(cycles, compared)
    line = coverage_of(counter)["regions"][0]["address_lines"][0]
    assert (line["tested"], line["told_apart"]) == (1, 0)


def test_a_rom_with_an_image_tests_its_lines_by_reading_alone() -> None:
    rom = Region("monitor", 0, 7, "rom", image=bytes([1, 2, 4, 8, 16, 32, 64, 128]))
    board = Board.from_regions("", [rom])
    reads: list[Access] = [("r", k, 1 << k) for k in range(8)] * 2
    found = _coverage(board, reads)
    assert all(line["told_apart"] > 0 for line in found["regions"][0]["address_lines"])
    assert found["not_exercised"] == []


def test_a_rom_without_an_image_and_io_say_so() -> None:
    board = Board.from_regions("", [Region("monitor", 0, 7, "rom"), Region("ports", 0, 7, "io", "io")])
    gaps = _coverage(board, [("r", 0, 1), ("r", 1, 1)])["not_exercised"]
    assert gaps == [
        "monitor: read, but there is no ROM image to compare with.",
        "ports is IO: listed, not compared.",
    ]


def test_unwired_address_lines_are_named_as_such() -> None:
    counter = CoverageCounter(two_banks(), 16, 8, unwired=0b1000)
    for cycles, compared in log_of(two_banks(), walk()).blocks():
        counter.feed(cycles, compared)
    assert "bank0 and bank1: A3 not wired." in coverage_of(counter)["not_exercised"]


@pytest.mark.parametrize("block", [1, 7, 50])
def test_block_size_does_not_matter(block: int) -> None:
    assert _coverage(two_banks(), walk(4), block) == _coverage(two_banks(), walk(4))
