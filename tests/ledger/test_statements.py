"""What a board file says of regions that are not plain memory, as the ledger takes it."""

from __future__ import annotations

import numpy as np

from busledger.decoder.board import LatchValue, LineLevel, Region
from busledger.decoder.bus.columns import Kind
from busledger.decoder.ledger import Counter, Ledger, RegionMap, Verdict
from tests.ledger.test_ledger import traffic

AGREES, MISMATCH, NOT_TAKEN = Verdict.AGREES, Verdict.MISMATCH, Verdict.NOT_TAKEN
UNKNOWN, WRITE, DISAGREES = Verdict.UNKNOWN, Verdict.WRITE, Verdict.DISAGREES
READ, WRITES = Kind.READ, Kind.WRITE


def verdicts(cycles, *regions: Region, gaps=(), **levels):
    """The verdicts, and the regions the cycles fell in; ``levels`` of lines, one a cycle."""
    lines = {name: np.array(given, np.int8) for name, given in levels.items()}
    out = Ledger(RegionMap(regions), 16).feed(cycles, gaps, levels=lines)
    return out.verdict.tolist(), cycles.region.tolist()


def banks(first, second) -> tuple[Region, Region]:
    return Region("bank0", 0x8000, 0x8FFF, when=first), Region("bank1", 0x8000, 0x8FFF, when=second)


LINE = banks(LineLevel("BANK", 0), LineLevel("BANK", 1))
LATCH = banks(LatchValue(0xC000, "memory", 0x03, 1), LatchValue(0xC000, "memory", 0x03, 2))


def test_regions_under_a_line_keep_their_own_cells():
    cycles = traffic(
        (WRITES, 0x8010, 0x11), (WRITES, 0x8010, 0x22), (READ, 0x8010, 0x11), (READ, 0x8010, 0x22), (READ, 0x8010, 0x11)
    )
    got, regions = verdicts(cycles, *LINE, BANK=[0, 1, 0, 1, 1])
    assert got == [WRITE, WRITE, AGREES, AGREES, MISMATCH]
    assert regions == [0, 1, 0, 1, 1]


def test_where_the_line_is_not_known_nothing_is_judged_and_a_write_blurs_both():
    cycles = traffic(
        (WRITES, 0x8010, 0x11), (WRITES, 0x8010, 0x22), (READ, 0x8010, 0x99),
        (WRITES, 0x8010, 0x21), (READ, 0x8010, 0x21), (READ, 0x8010, 0x23),
    )  # fmt: skip
    got, regions = verdicts(cycles, *LINE, BANK=[0, 1, -1, -1, 0, 1])
    # 11 or 21 stands in bank0: 21 is right. 22 or 21 in bank1: 23 is right in all bits but the two lowest, of which
    # bit 1 may be either.
    assert got == [WRITE, WRITE, NOT_TAKEN, NOT_TAKEN, AGREES, AGREES]
    assert regions == [0, 1, -1, -1, 0, 1]


def test_without_the_line_nothing_is_judged():
    cycles = traffic((WRITES, 0x8010, 0x11), (READ, 0x8010, 0x22))
    assert verdicts(cycles, *LINE) == ([NOT_TAKEN, NOT_TAKEN], [-1, -1])


def test_two_regions_that_answer_at_once_are_not_judged():
    both = banks(LineLevel("B0", 1), LineLevel("B1", 1))
    cycles = traffic((WRITES, 0x8010, 0x11), (READ, 0x8010, 0x22), (READ, 0x8010, 0x33))
    got, regions = verdicts(cycles, *both, B0=[1, 1, 1], B1=[0, 1, 0])
    assert (got, regions) == ([WRITE, NOT_TAKEN, MISMATCH], [0, -1, 0])


def test_regions_under_a_latch_follow_its_last_write():
    cycles = traffic(
        (READ, 0x8010, 0x55),  # nobody knows what the latch holds
        (WRITES, 0xC000, 0xF1), (WRITES, 0x8010, 0x11), (WRITES, 0xC000, 0x02), (WRITES, 0x8010, 0x22),
        (WRITES, 0xC000, 0x01), (READ, 0x8010, 0x11), (WRITES, 0xC000, 0x00), (READ, 0x8010, 0x11),
    )  # fmt: skip
    got, regions = verdicts(cycles, *LATCH)
    assert [got[i] for i in (0, 2, 4, 6, 8)] == [NOT_TAKEN, WRITE, WRITE, AGREES, NOT_TAKEN]
    assert [regions[i] for i in (0, 2, 4, 6, 8)] == [-1, 0, 1, 0, -1]


def test_a_latch_keeps_its_value_from_block_to_block_and_loses_it_in_a_gap():
    cycles = traffic(
        (WRITES, 0xC000, 0x01), (WRITES, 0x8010, 0x11), (READ, 0x8010, 0x11), (READ, 0x8010, 0x12),
        (READ, 0x8010, 0x13), (WRITES, 0xC000, 0x01), (READ, 0x8010, 0x11),
    )  # fmt: skip
    ledger = Ledger(RegionMap(LATCH), 16)
    got = []
    for i in range(len(cycles)):
        got += ledger.feed(cycles.slice(i, i + 1), [(32, 38)] if i == 4 else ()).verdict.tolist()
    assert got == [NOT_TAKEN, WRITE, AGREES, MISMATCH, NOT_TAKEN, NOT_TAKEN, UNKNOWN]  # the last one was stale


def test_a_write_that_may_have_gone_to_the_latch_leaves_it_unknown():
    cycles = traffic((WRITES, 0xC000, 0x01), (WRITES, 0x8010, 1), (WRITES, 0xC000, 0x01, 0, 0x4000), (READ, 0x8010, 7))
    got, _ = verdicts(cycles, *LATCH)
    assert got[1:] == [WRITE, NOT_TAKEN, NOT_TAKEN]


def test_unknown_data_in_the_latchs_mask_leaves_it_unknown_unless_the_rest_differs():
    cycles = traffic(
        (WRITES, 0xC000, 0x01, 0x02), (WRITES, 0x8010, 0x11),  # 01 or 03: bank0 or none
        (WRITES, 0xC000, 0x02, 0xF0), (WRITES, 0x8010, 0x11),  # bits outside the mask do not matter
    )  # fmt: skip
    got, regions = verdicts(cycles, *LATCH)
    assert (got[1], got[3]) == (NOT_TAKEN, WRITE)
    assert (regions[1], regions[3]) == (-1, 1)


def test_a_latch_in_the_io_space_is_another_address():
    io = banks(LatchValue(0x40, "io", 1, 0), LatchValue(0x40, "io", 1, 1))
    cycles = traffic((Kind.IO_WRITE, 0x40, 1), (WRITES, 0x40, 0), (WRITES, 0x8010, 0x11), (READ, 0x8010, 0x12))
    assert verdicts(cycles, *io)[0] == [NOT_TAKEN, NOT_TAKEN, WRITE, MISMATCH]


def test_a_mirror_answers_with_the_cells_of_another_region():
    bank, mirror = Region("bank", 0x4000, 0x43FF), Region("mirror", 0x5000, 0x57FF, mirror_of="bank")
    cycles = traffic(
        (WRITES, 0x4010, 0x11), (READ, 0x5010, 0x11), (READ, 0x5410, 0x12), (WRITES, 0x5410, 0x33), (READ, 0x4010, 0x33)
    )
    got, regions = verdicts(cycles, bank, mirror)
    assert got == [WRITE, AGREES, MISMATCH, WRITE, AGREES]
    assert regions == [0, 1, 1, 1, 0]
    assert cycles.address[1] == 0x5010  # what was on the bus stays


def test_a_write_in_doubt_reaches_the_cells_through_the_mirror():
    bank, mirror = Region("bank", 0x4000, 0x43FF), Region("mirror", 0x5000, 0x53FF, mirror_of="bank")
    cycles = traffic(
        (WRITES, 0x4010, 0x11), (WRITES, 0x4014, 0x11), (WRITES, 0x5010, 0x12, 0, 0x2001), (READ, 0x4010, 0x12),
        (READ, 0x4014, 0x12),
    )  # fmt: skip
    assert verdicts(cycles, bank, mirror)[0][3:] == [AGREES, MISMATCH]


def test_a_mirrored_rom_has_the_image_of_the_other():
    rom = Region("rom", 0xE000, 0xE001, kind="rom", image=b"\x12\x34")
    mirror = Region("mirror", 0xF000, 0xF001, kind="rom", mirror_of="rom")
    assert verdicts(traffic((READ, 0xF001, 0x34), (READ, 0xF000, 0x13)), rom, mirror)[0] == [AGREES, MISMATCH]


def test_shared_memory_is_listed_and_not_compared():
    cycles = traffic((WRITES, 0x4000, 1), (READ, 0x4000, 2))
    got, regions = verdicts(cycles, Region("mailbox", 0x4000, 0x40FF, shared=True))
    assert (got, regions) == ([NOT_TAKEN, NOT_TAKEN], [0, 0])


def test_writes_to_a_protected_region_are_not_expected_to_take():
    cycles = traffic((READ, 0x4000, 5), (WRITES, 0x4000, 1), (READ, 0x4000, 5), (READ, 0x4000, 1))
    got, _ = verdicts(cycles, Region("shadow", 0x4000, 0x40FF, write_protect=True))
    assert got == [UNKNOWN, NOT_TAKEN, UNKNOWN, DISAGREES]


def test_protection_by_a_line_holds_while_the_line_says_so():
    region = Region("ram", 0x4000, 0x40FF, write_protect=LineLevel("WP", 0))
    cycles = traffic(
        (WRITES, 0x4000, 0x11), (WRITES, 0x4000, 0x22), (READ, 0x4000, 0x11), (READ, 0x4000, 0x22),
        (WRITES, 0x4000, 0x10), (READ, 0x4000, 0x10),
    )  # fmt: skip
    # The last write came while WP was not known: 11 or 10 stands there.
    got, _ = verdicts(cycles, region, WP=[1, 0, 0, 1, -1, 0])
    assert got == [WRITE, NOT_TAKEN, AGREES, MISMATCH, NOT_TAKEN, AGREES]


def test_a_device_inside_a_memory_takes_its_addresses_out():
    ram, device = Region("ram", 0x4000, 0x4FFF), Region("device", 0x4100, 0x410F, kind="io")
    cycles = traffic((WRITES, 0x4100, 1), (READ, 0x4100, 2), (WRITES, 0x4110, 1), (READ, 0x4110, 2))
    got, regions = verdicts(cycles, ram, device)
    assert (got, regions) == ([NOT_TAKEN, NOT_TAKEN, WRITE, MISMATCH], [1, 1, 0, 0])


def test_what_cannot_be_the_regions_traffic_is_counted_for_a_rival():
    """A cell never read right, one read before anybody wrote it, one whose reads disagree."""
    cycles = traffic(
        (WRITES, 0x4000, 1), (READ, 0x4000, 2), (READ, 0x4000, 3),  # never right
        (WRITES, 0x4001, 1), (READ, 0x4001, 1), (READ, 0x4001, 3),  # right once
        (READ, 0x4002, 9), (READ, 0x4002, 8), (READ, 0x4003, 9),  # never written
        (READ, 0x4004, 7), (WRITES, 0x4004, 7),
    )  # fmt: skip
    region_map = RegionMap([Region("ram", 0x4000, 0x40FF)])
    ledger, counter = Ledger(region_map, 16), Counter(region_map)
    counter.feed(cycles, ledger.feed(cycles))
    (ram,) = counter.counts(ledger.stories())
    assert (ram.cells_compared, ram.cells_never_right) == (2, 1)
    assert (ram.reads_never_written, ram.reads_never_written_disagree) == (4, 1)
    assert (ram.cells_read_unwritten, ram.cells_disagree) == (3, 1)
    assert [lane.compared for lane in ram.lanes] == [4] * 8
