"""Worked examples of the ledger's rules, each a story of a few accesses told through the twin's interface alone.

Unless a test says otherwise: sixteen address lines, eight data lines, BANK0 4000-43FF and BANK1 4400-47FF (1 KB of RAM
each, so that A10 tells them apart), a ROM at F000-F0FF whose every byte is the low half of its address, and a device
at 8000-800F.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from busledger.decoder.board import Region as BoardRegion
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import Ledger, RegionMap, Verdict
from tests.reference.ledger_twin import run
from tests.reference.ledger_types import Access, Choices, Judgement, Region, Result, ToldBy

BANK0 = Region("bank0", 0x4000, 0x43FF)
BANK1 = Region("bank1", 0x4400, 0x47FF)
ROM = Region("rom", 0xF000, 0xF0FF, kind="rom", image=bytes(range(256)))
DEVICE = Region("device", 0x8000, 0x800F, kind="io")
BOARD = [BANK0, BANK1, ROM, DEVICE]
A10 = 1 << 10


def write(address: int, data: int, *, x: int = 0, data_x: int = 0, gap: bool = False) -> Access:
    """A write; `x` and `data_x` are the doubtful bits of address and data."""
    return Access("write", address, data, x, data_x, after_gap=gap)


def read(address: int, data: int, *, x: int = 0, data_x: int = 0, gap: bool = False) -> Access:
    """A read; `x` and `data_x` are the doubtful bits of address and data."""
    return Access("read", address, data, x, data_x, after_gap=gap)


def judge(
    *accesses: Access, regions: list[Region] | None = None, unwired: int = 0, told_by: ToldBy = "address"
) -> Result:
    """Run the accesses over the board; where all lines are clipped the program's own ledger must say the same."""
    board = BOARD if regions is None else regions
    whole = all(region.lanes is None for region in board)  # the program takes regions of whole bytes only
    if whole and not unwired and told_by == "address" and all(access.selected is None for access in accesses):
        assert compiled(board, accesses) == [
            (one.verdict, one.mismatch, 0 if one.verdict == "skipped" else one.compared)
            for one in run(board, accesses, choices=Choices(stale_right_is_compared=False)).judgements
        ]
    return run(board, accesses, unwired=unwired, told_by=told_by)


def compiled(regions: list[Region], accesses: Sequence[Access]) -> list[tuple[str, int, int]]:
    """(verdict, mismatch, lanes compared) of each access, as ``decoder.ledger`` has it."""
    cycles, gaps = Cycles.empty(len(accesses)), []
    for i, one in enumerate(accesses):
        cycles.kind[i] = Kind[one.kind.replace("-", "_").upper()]
        cycles.time[i], cycles.width[i] = 10 * i + 10, 1
        cycles.address[i], cycles.address_unknown[i] = one.address & ~one.address_unknown, one.address_unknown
        cycles.data[i], cycles.data_unknown[i] = one.data & ~one.data_unknown, one.data_unknown
        if one.after_gap:
            gaps.append((10 * i + 3, 10 * i + 7))
    region_map = RegionMap([BoardRegion(r.name, r.start, r.end, r.kind, image=r.image) for r in regions])
    out = Ledger(region_map, 16).feed(cycles, gaps)
    found = []
    for verdict, mismatch, known in zip(out.verdict, out.mismatch, out.known, strict=True):
        name = Verdict(verdict).name.lower()
        skipped = name in ("not_taken", "write")
        found.append(("skipped", 0, 0) if skipped else (name, int(mismatch), int(known)))
    return found


def last(*accesses: Access) -> Judgement:
    """What is said of the last access."""
    return judge(*accesses).judgements[-1]


# -- plain memory ------------------------------------------------------------------------------------------------------


def test_what_was_written_must_come_back() -> None:
    answer = last(write(0x4000, 0x5A), read(0x4000, 0x5A))
    assert (answer.verdict, answer.region, answer.expected, answer.known) == ("agrees", 0, 0x5A, 0xFF)


def test_a_read_that_differs_names_its_lanes() -> None:
    result = judge(write(0x4000, 0x5A), read(0x4000, 0x5B))
    assert (result.judgements[-1].verdict, result.judgements[-1].mismatch) == ("mismatch", 0x01)
    lane = result.regions[0].lanes[0]
    assert (lane.compared, lane.low_for_high, lane.high_for_low) == (1, 0, 1)
    assert result.mismatch_total == 1


def test_nothing_is_known_before_the_first_write() -> None:
    result = judge(read(0x4000, 0x12))
    assert (result.judgements[-1].verdict, result.judgements[-1].known) == ("unknown", 0)
    assert (result.regions[0].reads, result.regions[0].reads_compared, result.regions[0].reads_unknown) == (1, 0, 1)


def test_a_read_teaches_nothing() -> None:
    assert last(read(0x4000, 0x12), read(0x4000, 0x12)).verdict == "unknown"


def test_after_a_mismatch_the_ledger_keeps_what_was_written() -> None:
    story = (write(0x4000, 0xFF), read(0x4000, 0x00), read(0x4000, 0x00))
    assert last(*story).verdict == "mismatch"
    assert last(*story, read(0x4000, 0xFF)).verdict == "agrees"


def test_an_unknown_cell_that_changes_by_itself_disagrees() -> None:
    result = judge(read(0x4000, 0x12), read(0x4000, 0x13))
    assert result.judgements[-1].verdict == "disagrees"
    bank0 = result.regions[0]
    assert (bank0.reads_disagree, bank0.mismatches, bank0.reads_unknown) == (1, 0, 1)


def test_a_write_between_two_reads_excuses_the_difference() -> None:
    assert last(read(0x4000, 0x12), write(0x4000, 0x00, data_x=0xFF), read(0x4000, 0x13)).verdict == "unknown"


def test_dma_writes_and_opcode_fetches_count_like_any_other() -> None:
    assert last(Access("dma-write", 0x4000, 0x21), Access("opcode-fetch", 0x4000, 0x20)).verdict == "mismatch"


def test_regions_end_where_the_board_says() -> None:
    assert last(write(0x43FF, 1), read(0x43FF, 1)).region == 0
    assert last(write(0x4400, 2), read(0x4400, 2)).region == 1
    outside = last(write(0x3FFF, 3), read(0x3FFF, 4))
    assert (outside.verdict, outside.region) == ("skipped", -1)


def test_io_is_listed_but_not_compared() -> None:
    result = judge(write(0x8000, 0x55), read(0x8000, 0xAA))
    assert (result.judgements[-1].verdict, result.judgements[-1].region) == ("skipped", 3)
    device = result.regions[3]
    assert (device.writes, device.reads, device.reads_compared, device.reads_unknown) == (1, 1, 0, 0)


def test_the_io_space_has_its_own_addresses() -> None:
    answer = last(write(0x4000, 0x11), Access("io-write", 0x4000, 0x99), read(0x4000, 0x11))
    assert answer.verdict == "agrees"


def test_a_chip_of_four_lanes_holds_four_lanes() -> None:
    low_half = [Region("half", 0, 15, lanes=0x0F)]
    answer = judge(write(3, 0xAB), read(3, 0x0B), regions=low_half).judgements[-1]
    assert (answer.verdict, answer.known, answer.expected) == ("agrees", 0x0F, 0x0B)


# -- doubtful data -----------------------------------------------------------------------------------------------------


def test_a_doubtful_bit_of_a_write_is_unknown_in_the_cell() -> None:
    answer = last(write(0x4000, 0xFF), write(0x4000, 0xF0, data_x=0x01), read(0x4000, 0xF1))
    assert (answer.verdict, answer.known) == ("agrees", 0xFE)


def test_a_doubtful_bit_of_a_read_is_not_compared() -> None:
    answer = last(write(0x4000, 0xFF), read(0x4000, 0x7F, data_x=0x80))
    assert (answer.verdict, answer.known, answer.compared) == ("agrees", 0xFF, 0x7F)
    assert last(write(0x4000, 0xFF), read(0x4000, 0x00, data_x=0xFF)).verdict == "unknown"


# -- doubtful addresses ------------------------------------------------------------------------------------------------


def test_a10_in_doubt_reaches_the_same_cell_of_both_banks() -> None:
    start = (write(0x4010, 0x00), write(0x4410, 0x0F), write(0x4010, 0xFF, x=A10))
    for address, old in ((0x4010, 0x00), (0x4410, 0x0F)):
        for level in (old, 0xFF):  # the old value and the new one are both right
            assert last(*start, read(address, level)).verdict in ("agrees", "unknown")
    # in bank 1 old and new agree on the low four lanes: these stay known
    answer = last(*start, read(0x4410, 0x0E))
    assert (answer.verdict, answer.known, answer.mismatch) == ("mismatch", 0x0F, 0x01)
    assert last(*start, read(0x4010, 0x00)).known == 0


def test_other_cells_are_left_alone_by_a_doubtful_write() -> None:
    answer = last(write(0x4011, 0x77), write(0x4010, 0xFF, x=A10), read(0x4011, 0x76))
    assert answer.verdict == "mismatch"


def test_a_doubtful_write_may_have_left_the_region() -> None:
    # A12 in doubt: 5010 belongs to no region, so 4010 may still hold the old value
    story = (write(0x4010, 0x00), write(0x4010, 0xFF, x=0x1000))
    assert last(*story, read(0x4010, 0x00)).verdict == "unknown"
    assert last(*story, read(0x4010, 0xFF)).verdict == "unknown"


def test_a_doubtful_bit_across_a_region_border() -> None:
    # 43FF or 4BFF (A11): the last cell of bank 0, or nowhere; the first cell of bank 1 is not reached
    story = (write(0x43FF, 0xAA), write(0x4400, 0xAA), write(0x43FF, 0x55, x=0x0800))
    assert last(*story, read(0x43FF, 0x55)).verdict == "unknown"
    assert last(*story, read(0x4400, 0x55)).verdict == "mismatch"


def test_a_doubtful_write_outside_that_may_have_come_in() -> None:
    story = (write(0x4010, 0x00), write(0x5010, 0xFF, x=0x1000))
    assert last(*story, read(0x4010, 0xFF)).verdict == "unknown"


def test_a_doubtful_write_counts_for_a_region_only_if_it_cannot_be_elsewhere() -> None:
    result = judge(write(0x4010, 0, x=1), write(0x4010, 0, x=0x4000), write(0x4010, 0, x=A10))
    assert [answer.region for answer in result.judgements] == [0, -1, -1]
    assert [region.writes for region in result.regions] == [1, 0, 0, 0]


def test_a_read_does_not_settle_old_or_new_but_two_reads_may_disagree() -> None:
    story = (write(0x4010, 0x00), write(0x4010, 0xFF, x=A10), read(0x4010, 0xFF))
    assert last(*story, read(0x4010, 0xFF)).verdict == "unknown"
    assert last(*story, read(0x4010, 0x00)).verdict == "disagrees"


def test_a_sure_write_ends_the_doubt() -> None:
    answer = last(write(0x4010, 0, x=A10), write(0x4010, 0x3C), read(0x4010, 0x3D))
    assert answer.verdict == "mismatch"


def test_a_read_at_a_doubtful_address_is_not_compared() -> None:
    result = judge(write(0x4010, 0x00), read(0x4010, 0xFF, x=A10))
    assert (result.judgements[-1].verdict, result.judgements[-1].region) == ("skipped", -1)
    inside = judge(write(0x4010, 0x00), read(0x4010, 0xFF, x=1))  # both cells are in bank 0: the region is sure
    assert (inside.judgements[-1].verdict, inside.judgements[-1].region) == ("skipped", 0)
    assert (inside.regions[0].reads, inside.regions[0].reads_unknown) == (1, 1)


# -- ROM ---------------------------------------------------------------------------------------------------------------


def test_a_rom_with_an_image_is_known_from_the_start() -> None:
    assert last(read(0xF012, 0x12)).verdict == "agrees"
    assert last(read(0xF012, 0x13)).verdict == "mismatch"


def test_writes_do_not_change_a_rom() -> None:
    assert last(write(0xF012, 0xFF), write(0xF010, 0xFF, x=0x0F), read(0xF012, 0x12)).verdict == "agrees"


def test_a_rom_without_an_image_can_only_disagree() -> None:
    bare = [Region("rom", 0, 15, kind="rom")]
    story = (write(1, 0x55), read(1, 0x12))
    assert judge(*story, regions=bare).judgements[-1].verdict == "unknown"
    assert judge(*story, read(1, 0x55), regions=bare).judgements[-1].verdict == "disagrees"


# -- missing samples ---------------------------------------------------------------------------------------------------


def test_after_a_gap_right_is_known_again_and_wrong_proves_nothing() -> None:
    story = (write(0x4000, 0x5A), write(0x4001, 0xA5))
    right = (*story, read(0x4000, 0x5A, gap=True))
    assert last(*right).verdict == "agrees"
    assert last(*right, read(0x4000, 0x5B)).verdict == "mismatch"
    result = judge(*story, read(0x4001, 0x00, gap=True))
    answer = result.judgements[-1]
    assert (answer.verdict, answer.known, answer.stale, answer.mismatch) == ("stale", 0, 0xFF, 0)
    assert (result.regions[0].reads_stale, result.regions[0].reads_compared, result.regions[0].mismatches) == (1, 0, 0)


def test_every_bit_recovers_from_a_gap_on_its_own() -> None:
    # 5A comes back as 5B: seven bits are known again, the eighth is as stale as before
    answer = last(write(0x4000, 0x5A), read(0x4000, 0x5B, gap=True), read(0x4000, 0x5A, data_x=1))
    assert (answer.verdict, answer.known, answer.stale) == ("agrees", 0xFE, 0x01)


def test_a_write_after_the_gap_is_as_good_as_ever() -> None:
    assert last(write(0x4000, 0x5A, gap=True), read(0x4000, 0x5B)).verdict == "mismatch"


def test_a_doubtful_write_after_the_gap_leaves_nothing_to_be_stale() -> None:
    answer = last(write(0x4000, 0x5A), write(0x4000, 0x00, data_x=0x0F, gap=True), read(0x4000, 0x0A))
    assert (answer.verdict, answer.known, answer.stale) == ("agrees", 0xF0, 0)


def test_a_gap_makes_every_cell_stale_wherever_the_next_access_goes() -> None:
    assert last(write(0x4000, 0x5A), write(0x4400, 0, gap=True), read(0x4000, 0x5B)).verdict == "stale"
    idle = Access("idle", 0, after_gap=True)
    assert last(write(0x4000, 0x5A), idle, read(0x4000, 0x5B)).verdict == "stale"


def test_a_rom_image_never_goes_stale() -> None:
    assert last(read(0xF012, 0x12), read(0xF012, 0x13, gap=True)).verdict == "mismatch"


def test_a_gap_excuses_an_unknown_cell_that_changed() -> None:
    assert last(read(0x4000, 0x12), read(0x4000, 0x13, gap=True)).verdict == "unknown"


# -- address lines that are not wired ----------------------------------------------------------------------------------


def test_high_lines_not_wired_the_board_file_says_what_there_is() -> None:
    # A15 and A14 left out: 0010 as captured can only be 4010
    result = judge(write(0x0010, 0x77), read(0x0010, 0x76), unwired=0xC000)
    assert (result.judgements[-1].verdict, result.judgements[-1].region) == ("mismatch", 0)


def test_doubt_on_a_line_that_is_not_wired_is_no_doubt() -> None:
    answer = judge(write(0x4010, 0x77, x=0x8000), read(0x4010, 0x76), unwired=0xC000).judgements[-1]
    assert answer.verdict == "mismatch"


def test_cells_that_share_an_entry_are_never_accused() -> None:
    # A0 left out: two cells behind every entry, and no write says which of them it went to
    story = (write(0x4010, 0x00), write(0x4010, 0xFF))
    for level in (0x00, 0xFF):
        assert judge(*story, read(0x4010, level), unwired=1).judgements[-1].verdict == "unknown"
    both = judge(*story, read(0x4010, 0x00), read(0x4010, 0xFF), unwired=1)
    assert both.judgements[-1].verdict == "unknown"  # two cells may differ: no disagreement


def test_a_rom_entry_of_two_cells_allows_either_byte() -> None:
    # A0 left out: F012 holds 12, F013 holds 13; only lane D0 differs between them
    for level in (0x12, 0x13):
        assert judge(read(0xF012, level), unwired=1).judgements[-1].verdict == "agrees"
    answer = judge(read(0xF012, 0x32), unwired=1).judgements[-1]
    assert (answer.verdict, answer.known, answer.mismatch) == ("mismatch", 0xFE, 0x20)


def test_the_lenient_reading_of_a_shared_entry() -> None:
    choices = Choices(shared_entry="written")
    story = [write(0x4010, 0x0F), read(0x4010, 0x0E), write(0x4010, 0xFF), read(0x4010, 0x0F), read(0x4010, 0xFE)]
    verdicts = [answer.verdict for answer in run(BOARD, story, unwired=1, choices=choices).judgements]
    assert verdicts == ["skipped", "mismatch", "skipped", "agrees", "mismatch"]


# -- selects -----------------------------------------------------------------------------------------------------------


def at_select(kind: str, address: int, data: int, *selected: int) -> Access:
    """An access for which the clips showed which regions' selects were active."""
    return Access(kind, address, data, selected=frozenset(selected))


def test_a_clipped_select_tells_regions_apart_that_the_address_cannot() -> None:
    story = (at_select("write", 0x0010, 0x11, 0), at_select("write", 0x0010, 0x22, 1))
    for index, level in ((0, 0x11), (1, 0x22)):
        result = judge(*story, at_select("read", 0x0010, level ^ 1, index), unwired=0xFC00, told_by="select")
        assert (result.judgements[-1].verdict, result.judgements[-1].region) == ("mismatch", index)
    unselected = judge(*story, at_select("read", 0x0010, 0x99), unwired=0xFC00, told_by="select").judgements[-1]
    assert (unselected.verdict, unselected.region) == ("skipped", -1)
    untold = judge(*story, read(0x0010, 0x99), unwired=0xFC00, told_by="select").judgements[-1]
    assert untold.verdict == "skipped"  # the clip did not say: any region, or none


def test_a_select_against_the_address_leaves_both_cells_in_doubt() -> None:
    story = (write(0x4010, 0x00), write(0x4410, 0x00), at_select("write", 0x4010, 0xFF, 1))
    for address in (0x4010, 0x4410):
        assert judge(*story, read(address, 0xFF), told_by="select").judgements[-1].verdict == "unknown"


# -- refusals ----------------------------------------------------------------------------------------------------------


def test_what_the_rules_do_not_cover_is_refused() -> None:
    with pytest.raises(ValueError, match="only a rom"):
        run([Region("ram", 0, 1, image=b"ab")], [])
    with pytest.raises(ValueError, match="kind 'fetch'"):
        run(BOARD, [Access("fetch", 0)])
