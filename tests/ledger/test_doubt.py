"""A write whose address was in doubt may have gone to any cell that its known bits allow (diagnosis, section 1)."""

from __future__ import annotations

import numpy as np

from busledger.decoder.bus.columns import Kind
from busledger.decoder.ledger import Ledger, RegionMap, Verdict
from tests.ledger.test_ledger import Area, run, traffic

LOW, HIGH = Area("low", 0x4000, 0x43FF), Area("high", 0x4400, 0x47FF)
READ, WRITES = Kind.READ, Kind.WRITE


def test_one_write_between_two_banks_accuses_neither():
    """A10 in doubt over two 1 KB banks: either bank may hold the new value, and what it held is right as well."""
    cycles = traffic(
        (WRITES, 0x4000, 0x11), (WRITES, 0x4400, 0x22), (WRITES, 0x4000, 0x99, 0, 0x0400),
        (READ, 0x4000, 0x99), (READ, 0x4400, 0x22), (READ, 0x4000, 0x11), (READ, 0x4400, 0x99),
    )  # fmt: skip
    compared, counts = run(cycles, LOW, HIGH)
    assert [region.mismatches for region in counts] == [0, 0]
    # Bits in which old and new are one stay known.
    assert compared.known[3:].tolist() == [0x77, 0x44, 0x77, 0x44]


def test_a_write_that_may_have_left_all_regions_blurs_the_one_it_may_have_hit():
    cycles = traffic((WRITES, 0x4000, 0x11), (WRITES, 0x4000, 0x10, 0, 0x8000), (READ, 0x4000, 0x10))
    compared, _ = run(cycles, LOW)
    assert compared.known[2] == 0xFE and compared.verdict[2] == Verdict.AGREES


def test_what_neither_value_explains_is_still_wrong():
    cycles = traffic((WRITES, 0x4000, 0x11), (WRITES, 0x4000, 0x10, 0, 0x0400), (READ, 0x4000, 0x91))
    compared, _ = run(cycles, LOW, HIGH)
    assert compared.mismatch[2] == 0x80


def test_the_writer_of_a_blurred_cell_is_the_write_in_doubt():
    cycles = traffic((WRITES, 0x4000, 0x11), (WRITES, 0x4000, 0x11, 0, 0x0400), (READ, 0x4000, 0x11), (READ, 0x4400, 0))
    compared, _ = run(cycles, LOW, HIGH)
    assert compared.writer.tolist()[2:] == [1, 1]


def test_without_a_board_file_it_blurs_as_well():
    cycles = traffic(
        (WRITES, 0x4000, 0x11), (WRITES, 0x8000, 0x22), (WRITES, 0x0000, 0x12, 0, 0xFFFF), (READ, 0x4000, 0x12),
        (READ, 0x8000, 0x12),
    )  # fmt: skip
    out = Ledger(RegionMap(()), 16, whole_space=True).feed(cycles)
    assert out.verdict.tolist()[3:] == [Verdict.AGREES, Verdict.AGREES]
    assert out.known.tolist()[3:] == [0xFC, 0xCF]


def test_a_rom_is_not_written_by_a_write_in_doubt_nor_stale_after_a_gap():
    """An image is what the ROM holds, whatever was missed and wherever a write went."""
    rom = Area("monitor", 0x4400, 0x4403, kind="rom", image=b"\x01\x02\x03\x04")
    cycles = traffic((WRITES, 0x4001, 0x55, 0, 0x0400), (READ, 0x4401, 0x02), (READ, 0x4401, 0x03), (READ, 0x4400, 1))
    compared, counts = run(cycles, LOW, rom, gaps=[(12, 18)])
    assert compared.verdict.tolist() == [Verdict.NOT_TAKEN, Verdict.AGREES, Verdict.MISMATCH, Verdict.AGREES]
    assert (counts[1].reads_compared, counts[1].reads_stale, counts[1].mismatches) == (3, 0, 1)


def test_a_write_of_unknown_data_or_of_one_byte_blurs_only_what_it_may_have_changed():
    area = Area("bank", 0x1000, 0x1FFF)
    cycles = traffic(
        (WRITES, 0x1000, 0xABCD), (WRITES, 0x1000, 0x0012, 0xFF00, 0x0002), (READ, 0x1000, 0xAB12), width=3
    )
    cycles.width[1] = 1
    compared, _ = run(cycles, area, data_bits=16)
    assert compared.known[2] == 0xFF20  # CD or 12: both have bit 5 low and differ in all others
    assert compared.verdict[2] == Verdict.AGREES


def test_an_image_behind_lines_that_are_not_clipped_is_wrong_only_where_all_its_cells_agree():
    rom = Area("monitor", 0x4400, 0x4403, kind="rom", image=b"\x01\x81\x03\x07")
    cycles = traffic((READ, 0x4400, 0x81, 0, 1), (READ, 0x4400, 0x83, 0, 1), (READ, 0x4402, 0x03, 0, 1))
    compared, _ = run(cycles, rom, unwired=1, gaps=[(8, 9)])
    assert compared.verdict.tolist() == [Verdict.AMBIGUOUS, Verdict.MISMATCH, Verdict.AMBIGUOUS]
    assert compared.known.tolist() == [0x7F, 0x7F, 0xFB]
    assert compared.mismatch.tolist() == [0, 0x02, 0]


def test_a_cell_that_its_select_told_is_judged_beside_entries_that_others_share():
    """Where nothing of an address is hidden, the last write alone counts."""
    cycles = traffic((WRITES, 0x4000, 0x11), (WRITES, 0x4000, 0x22), (READ, 0x4000, 0x11), (READ, 0x4000, 0x22))
    compared, _ = run(cycles, LOW, unwired=1)
    assert compared.verdict.tolist()[2:] == [Verdict.MISMATCH, Verdict.AGREES]


def test_a_byte_written_through_a_shared_entry_says_nothing_of_the_other_byte():
    area = Area("bank", 0x1000, 0x1FFF)
    cycles = traffic(*[(WRITES, 0x1000, 0x0055, 0xFF00, 4)] * 2, (READ, 0x1000, 0xAA55, 0, 4), width=3)
    cycles.width[:2] = 1
    compared, _ = run(cycles, area, data_bits=16, unwired=4)
    assert np.array_equal(compared.mismatch, [0, 0, 0])


def test_a_write_in_doubt_at_the_end_of_a_bank_leaves_the_rom_behind_it_as_it_is():
    """4002 and 4003 differ in A0; the bank ends between them, and a ROM takes no writes."""
    bank, rom = Area("bank", 0x4000, 0x4002), Area("rom", 0x4003, 0x4003, kind="rom", image=b"\x0f")
    cycles = traffic((WRITES, 0x4002, 0x00, 0, 0x0001), (READ, 0x4003, 0x0E))
    compared, _ = run(cycles, bank, rom)
    assert (compared.verdict[1], compared.mismatch[1]) == (Verdict.MISMATCH, 0x01)


def test_a_read_in_doubt_between_two_banks_lies_in_neither():
    cycles = traffic((READ, 0x4000, 0, 0, 0x0400), (READ, 0x4000, 0, 0, 0x0001))
    run(cycles, LOW, HIGH)
    assert cycles.region.tolist() == [-1, 0]


def test_a_lane_in_doubt_is_not_compared_with_what_cells_share():
    """Both cells behind A0 hold FF, as their selects told; the read gives D1 low, and D0 is in doubt."""
    cycles = traffic((WRITES, 0x4000, 0xFF), (WRITES, 0x4001, 0xFF), (READ, 0x4000, 0xFC, 0x01, 1))
    compared, _ = run(cycles, LOW, unwired=1)
    assert (compared.known[2], compared.mismatch[2]) == (0xFE, 0x02)


def test_two_writes_through_a_shared_entry_may_have_gone_to_one_cell():
    """The other one was never written and may hold anything: a program that reads it is no fault of the card."""
    cycles = traffic(*[(WRITES, 0x4000, 0xFF, 0, 1)] * 2, (READ, 0x4000, 0xFC, 0, 1))
    compared, (bank,) = run(cycles, LOW, unwired=1)
    assert compared.verdict.tolist() == [Verdict.WRITE, Verdict.WRITE, Verdict.AMBIGUOUS]
    assert (bank.writes, bank.reads, bank.mismatches) == (2, 1, 0)


def test_what_one_of_two_cells_held_before_a_gap_accuses_nobody():
    """Both cells behind A0 held FF; behind the gap only 4000 is seen to hold it still, and the read may be of 4001."""
    cycles = traffic(
        (WRITES, 0x4000, 0xFF), (WRITES, 0x4001, 0xFF), (READ, 0x4000, 0xFF), (READ, 0x4000, 0xFE, 0, 1),
        (READ, 0x4001, 0xFF), (READ, 0x4000, 0xFE, 0, 1),
    )  # fmt: skip
    compared, _ = run(cycles, LOW, unwired=1, gaps=[(12, 18)])
    # A read that is right proves nothing of its own moment, and lets what it gave be known again.
    assert compared.verdict.tolist()[2:] == [Verdict.UNKNOWN, Verdict.STALE, Verdict.UNKNOWN, Verdict.MISMATCH]


def test_a_cell_that_nobody_has_touched_may_be_the_one_that_is_read():
    """A12 is not wired: 4000 was written, as its select told, and 5000, pages away, never."""
    cycles = traffic((WRITES, 0x4000, 0x00), (READ, 0x4000, 0x01, 0, 0x1000))
    compared, _ = run(cycles, Area("bank", 0x4000, 0x5FFF), unwired=0x1000)
    assert compared.verdict[1] == Verdict.AMBIGUOUS and not compared.known[1]
