"""Which parts are cleared, on what evidence, and which never are."""

from __future__ import annotations

import pytest

from busledger.decoder.board import Board
from busledger.decoder.diagnosis.coverage.clearing import DATA_BUS, clear
from busledger.decoder.diagnosis.coverage.coverage_counter import CoverageCounter
from busledger.decoder.findings import Cleared
from busledger.decoder.ledger import AccessLog
from tests.diagnosis.small_cards import log_of, two_banks, walk

ALL_LANES = tuple(f"D{b}" for b in range(8))


def _counted(board: Board, log: AccessLog) -> CoverageCounter:
    counter = CoverageCounter(board, 16, 8)
    for cycles, compared in log.blocks():
        counter.feed(cycles, compared)
    return counter


def _by_name(found: tuple[Cleared, ...]) -> dict[str, Cleared]:
    assert len({c.component for c in found}) == len(found)
    return {c.component: c for c in found}


def test_a_healthy_card_is_cleared_part_by_part() -> None:
    board = two_banks()
    found = _by_name(clear(_counted(board, log_of(board, walk()))))
    assert set(found) == {"U1", "U2", "U3", "U4", "U9", "U10", "U11", DATA_BUS}
    assert found["U1"].lanes == ("D0", "D1", "D2", "D3") and found["U4"].lanes == ("D4", "D5", "D6", "D7")
    assert found["U10"].lanes == ALL_LANES == found[DATA_BUS].lanes
    assert found["U11"].lanes == ("A0", "A1", "A2", "A3")
    assert found["U9"].lanes == ("CS0", "CS1")
    assert "192 reads right in bank0 on each lane" in found["U1"].evidence
    assert "384 reads right through it on each lane" in found["U10"].evidence


def test_the_excluded_rate_is_the_exact_bound() -> None:
    board = two_banks()
    found = _by_name(clear(_counted(board, log_of(board, walk()))))
    assert found["U1"].rate_below == pytest.approx(1 - 0.05 ** (1 / 192))
    assert found["U10"].rate_below == pytest.approx(1 - 0.05 ** (1 / 384))
    assert found["U10"].evidence.endswith("it fails less than 1 in 120, if at all")


def test_both_levels_are_counted_on_the_lane_with_the_least() -> None:
    board = two_banks()
    traffic = [(kind, address, data | 0x80) for kind, address, data in walk()]
    found = _by_name(clear(_counted(board, log_of(board, traffic))))
    assert found["U2"].lanes == ("D4", "D5", "D6")  # D7 was never low
    assert "D7" not in found["U10"].lanes and found["U1"].lanes == ("D0", "D1", "D2", "D3")


def test_too_few_reads_clear_nothing() -> None:
    board = two_banks()
    assert clear(_counted(board, log_of(board, walk(rounds=1)))) == ()
    assert clear(CoverageCounter(board, 16, 8)) == ()
    empty = Board.from_regions("", ())
    assert clear(CoverageCounter(empty, 16, 8)) == ()


def test_a_chip_that_read_wrong_is_not_cleared_but_the_driver_before_it_is() -> None:
    board = two_banks()
    log = log_of(board, walk(), lambda address, data: data & ~0x20 if address >= 16 else data)
    found = _by_name(clear(_counted(board, log)))
    assert "U4" not in found
    assert {"U1", "U2", "U3", "U9", "U11"} <= set(found)
    assert found["U10"].lanes == ALL_LANES  # bank0 came right through D5 while bank1 did not


def test_a_lane_that_fails_everywhere_is_cleared_nowhere() -> None:
    board = two_banks()
    found = _by_name(clear(_counted(board, log_of(board, walk(), lambda _, data: data & ~0x20))))
    assert "U2" not in found and "U4" not in found
    assert "D5" not in found["U10"].lanes and "D5" not in found[DATA_BUS].lanes
    assert set(found["U10"].lanes) == set(ALL_LANES) - {"D5"}


def test_a_rare_failure_in_one_region_does_not_clear_the_driver() -> None:
    """Two wrong reads in bank1 are too few to show that they would have met bank0 as well."""
    board = two_banks()
    reads = [0]

    def twice(address: int, data: int) -> int:
        if address == 20:
            reads[0] += 1
            return data ^ 0x20 if reads[0] in (3, 9) else data
        return data

    found = _by_name(clear(_counted(board, log_of(board, walk(), twice))))
    assert "D5" not in found["U10"].lanes and "U4" not in found


def test_a_burst_in_one_region_does_not_clear_the_driver() -> None:
    """The failures all fall while only bank1 is read: bank0 had no part in that time."""
    board = two_banks()
    traffic = walk(8, banks=(0,)) + walk(8, banks=(1,))
    found = _by_name(clear(_counted(board, log_of(board, traffic, lambda a, d: d ^ 0x20 if a >= 16 else d))))
    assert "D5" not in found["U10"].lanes and "D4" in found["U10"].lanes


def test_reads_wrong_on_all_chips_clear_no_select_and_no_address_driver() -> None:
    board = two_banks()
    wrong = log_of(board, walk(), lambda address, data: data ^ 0x11 if address == 3 else data)
    found = _by_name(clear(_counted(board, wrong)))
    assert "U9" not in found and "U11" not in found


def test_a_select_is_cleared_only_against_regions_that_held_other_data() -> None:
    board = two_banks()
    alone = walk(20, banks=(0,))
    assert "U9" not in _by_name(clear(_counted(board, log_of(board, alone))))
    same = [access for kind, address, data in alone for access in ((kind, address, data), (kind, address + 16, data))]
    assert "U9" not in _by_name(clear(_counted(board, log_of(board, same))))


def test_what_a_suspect_accuses_is_left_out() -> None:
    board = two_banks()
    counter = _counted(board, log_of(board, walk()))
    found = _by_name(clear(counter, {"U1": (), "U10": ("D4", "D5")}))
    assert "U1" not in found
    assert found["U10"].lanes == ("D0", "D1", "D2", "D3", "D6", "D7")
