"""A lane that always fails inside one block of a region, and never outside it, draws the line between two banks."""

from __future__ import annotations

from busledger.decoder.bus.columns import Kind
from busledger.decoder.ledger import failing_blocks
from tests.ledger.test_ledger import Area, run, traffic

WHOLE = Area("ram", 0x4000, 0x47FF)


def swept(wrong) -> list:
    """Every 8th cell written with FF and 00 in turn and read back; ``wrong`` says what a read of FF gives."""
    accesses = []
    for address in range(0x4000, 0x4800, 8):
        for value in (0xFF, 0x00):
            accesses += [(Kind.WRITE, address, value), (Kind.READ, address, wrong(address) & value)]
    return accesses


def blocks_of(accesses, area=WHOLE) -> dict:
    cycles = traffic(*accesses)
    compared, _ = run(cycles, area)
    return failing_blocks(([(cycles, compared)], [(cycles, compared)]), [(area.start, area.end)], 8)


def test_a_lane_stuck_in_the_second_half_only_cuts_the_region_there():
    assert blocks_of(swept(lambda a: 0xDF if a >= 0x4400 else 0xFF)) == {0: [(0x4400, 0x47FF)]}


def test_a_lane_stuck_everywhere_cuts_nothing():
    assert blocks_of(swept(lambda a: 0xDF)) == {}


def test_a_lane_that_fails_now_and_then_cuts_nothing():
    assert blocks_of(swept(lambda a: 0xDF if a >= 0x4400 and a % 32 == 0 else 0xFF)) == {}


def test_a_healthy_region_cuts_nothing():
    assert blocks_of(swept(lambda a: 0xFF)) == {}
    assert blocks_of([]) == {}


def test_a_lane_that_fails_both_ways_in_one_half_is_not_stuck():
    """The second half gives D5 turned round, always: a chip that is stuck does not."""
    told = [(kind, a, value) for a in range(0x4000, 0x4800, 8) for value in (0xFF, 0x00)
            for kind, value in ((Kind.WRITE, value), (Kind.READ, value ^ 0x20 if a >= 0x4400 else value))]  # fmt: skip
    assert blocks_of(told) == {}


def test_what_another_region_reads_says_nothing_of_this_one_s_lane():
    """The bank is read in its second half only, where D5 is stuck; another region reads well."""
    stuck = [a for a in swept(lambda a: 0xDF) if a[1] >= 0x4400]
    well = [(kind, a + 0x4000, v) for kind, a, v in swept(lambda _: 0xFF)]
    areas = WHOLE, Area("other", 0x8000, 0x87FF)
    cycles = traffic(*stuck, *well)
    compared, _ = run(cycles, *areas)
    assert failing_blocks(([(cycles, compared)],) * 2, [(a.start, a.end) for a in areas], 8) == {}


def test_two_lanes_of_two_banks_cut_twice():
    def wrong(address):
        return 0xDF if address >= 0x4600 else 0xFE if address < 0x4200 else 0xFF

    assert blocks_of(swept(wrong)) == {0: [(0x4000, 0x41FF), (0x4600, 0x47FF)]}


def test_too_few_reads_outside_the_block_do_not_show_that_the_lane_works_there():
    """Of the first half only so many cells are used: a bank that was hardly read may be stuck just as well."""

    def used(cells: int) -> list:
        stuck = swept(lambda a: 0xDF if a >= 0x4400 else 0xFF)
        return [a for a in stuck if a[1] >= 0x4400 or a[1] < 0x4000 + 8 * cells]

    assert blocks_of(used(15)) == {}
    assert blocks_of(used(16)) == {0: [(0x4400, 0x47FF)]}
