"""The compiled ledger equals its slow twin on every traffic, in blocks of any size.

The twin (``tests/reference/ledger_twin.py``) was written from the design alone. Both see address bits in doubt on the
borders of regions, images, missing samples, lines that are not clipped, and selects.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.board import Board, Region
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import Compared, Counter, Ledger, RegionMap, SelectedRegions, Verdict
from busledger.decoder.ledger import ledger_kernel as kernel
from tests.reference import ledger_twin as twin
from tests.reference.ledger_types import Access, Choices, Judgement, Result
from tests.reference.ledger_types import Region as TwinRegion

ADDRESS_BITS = 7
# Two banks that touch, a ROM with an image, a region that fills no block, a port, one above all.
REGIONS = [
    Region("low", 0x10, 0x17, select="CS0"),
    Region("high", 0x18, 0x1F, select="CS1"),
    Region("rom", 0x40, 0x47, kind="rom", image=bytes(range(0x30, 0x38)), select="CS2"),
    Region("odd", 0x62, 0x66, select="CS4"),
    Region("port", 0x0C, 0x0F, kind="io", select="CS5"),
]
CHOICES = Choices(stale_right_is_compared=False)
KINDS = {
    Kind.READ: "read",
    Kind.OPCODE_FETCH: "opcode-fetch",
    Kind.WRITE: "write",
    Kind.DMA_WRITE: "dma-write",
    Kind.IO_WRITE: "io-write",
    Kind.IDLE: "idle",
}
SKIPPED = {Verdict.NOT_TAKEN, Verdict.WRITE}
NAMES = {verdict: verdict.name.lower() for verdict in Verdict} | dict.fromkeys(SKIPPED, "skipped")


@dataclass(frozen=True)
class Step:
    """One access as it happened, what the analyser lost of it, and which selects came."""

    kind: Kind
    address: int
    unknown: int
    data: int
    blank: int
    gap: bool
    selects: int  # a region's index, or NONE, or NOT_TOLD


NONE, NOT_TOLD = len(REGIONS), len(REGIONS) + 1
OWN = -1


def step(kind: Kind, address: int, unknown: int, data: int, blank: int, gap: bool, selects: int) -> Step:
    """With OWN the select is that of the region that the address lies in."""
    if kind in (Kind.IO_WRITE, Kind.IDLE):
        selects = NONE  # no memory is written, whatever its select does
    own = next((i for i, r in enumerate(REGIONS) if r.start <= address <= r.end), NONE)
    return Step(kind, address, unknown, data, blank, gap, own if selects == OWN else selects)


# Few cells, so that the same one is met again: of each bank two that differ in A0, the ends of the odd region.
often = st.sampled_from([0x10, 0x11, 0x18, 0x19, 0x10, 0x18, 0x40, 0x41, 0x62, 0x66, 0x0C])
steps = st.builds(
    step,
    kind=st.sampled_from([Kind.READ, Kind.READ, Kind.WRITE, Kind.WRITE, *KINDS]),
    address=st.one_of(often, often, often, st.integers(0, 0x7F)),
    # A bit inside a bank, the one between the banks, the one between RAM and the port, ROM and the odd one, all.
    unknown=st.sampled_from([0, 0, 0, 0, 0, 0x01, 0x08, 0x0A, 0x30, 0x20, 0x22, 0x50, 0x7F]),
    data=st.sampled_from([0x00, 0xFF, 0x55, 0x56, 0x31]),
    blank=st.sampled_from([0, 0, 0, 0x81]),
    gap=st.sampled_from([False] * 9 + [True]),
    selects=st.sampled_from([OWN] * 8 + [NONE, NONE, NOT_TOLD, 0, 1, 3]),
)
traffic = st.lists(steps, min_size=25, max_size=60)
blocks = st.integers(1, 61)


def columns(accesses: list[Step], unwired: int = 0) -> tuple[Cycles, list[tuple[int, int]]]:
    """The accesses as the ledger sees them, 10 ticks apart, and the gaps before some."""
    cycles, gaps = Cycles.empty(len(accesses)), []
    for i, one in enumerate(accesses):
        lost = one.unknown | unwired
        cycles.kind[i], cycles.time[i], cycles.width[i] = one.kind, 10 * i + 10, 1
        cycles.address[i], cycles.address_unknown[i] = one.address & ~lost, lost
        cycles.data[i], cycles.data_unknown[i] = one.data & ~one.blank, one.blank
        if one.gap:
            gaps.append((10 * i + 3, 10 * i + 7))
    return cycles, gaps


def twin_says(accesses: list[Step], unwired: int = 0, *, selects: bool = False) -> list[Judgement]:
    return twin_result(accesses, unwired, selects=selects).judgements


def twin_result(accesses: list[Step], unwired: int = 0, *, selects: bool = False) -> Result:
    regions = [TwinRegion(r.name, r.start, r.end, r.kind, r.image) for r in REGIONS]
    seen = []
    for one in accesses:
        selected = None
        if selects and one.selects != NOT_TOLD:
            selected = frozenset({one.selects} if one.selects != NONE else ())
        lost = one.unknown | unwired
        seen.append(
            Access(KINDS[one.kind], one.address & ~lost, one.data & ~one.blank, one.unknown, one.blank,
                   after_gap=one.gap, selected=selected)
        )  # fmt: skip
    told_by = "select" if selects else "address"
    return twin.run(
        regions, seen, address_bits=ADDRESS_BITS, unwired=unwired, told_by=told_by, choices=CHOICES
    )


def in_blocks(ledger: Ledger, cycles: Cycles, gaps: list[tuple[int, int]], block: int, quiet=None) -> Compared:
    parts = []
    for start in range(0, len(cycles), block):
        stop = min(start + block, len(cycles))
        seen = None if quiet is None else quiet[start:stop]
        parts.append(ledger.feed(cycles.slice(start, stop), gaps if start == 0 else (), selects=seen))
    return Compared.concat(parts)


def agree(out: Compared, wanted: list[Judgement]) -> None:
    got = [(NAMES[Verdict(v)], int(m)) for v, m in zip(out.verdict, out.mismatch, strict=True)]
    assert got == [(one.verdict, one.mismatch) for one in wanted]
    judged = [i for i, one in enumerate(wanted) if one.verdict != "skipped"]
    assert [(int(out.expected[i]), int(out.known[i])) for i in judged] == [
        (wanted[i].expected, wanted[i].compared) for i in judged
    ]


@settings(max_examples=120, deadline=None)
@given(traffic, blocks)
def test_kernel_equals_twin(accesses, block):
    cycles, gaps = columns(accesses)
    region_map, wanted = RegionMap(REGIONS), twin_result(accesses)
    out = in_blocks(Ledger(region_map, ADDRESS_BITS), cycles, gaps, block)
    agree(out, wanted.judgements)
    counter = Counter(region_map)
    counter.feed(cycles, out)
    for index, (found, due) in enumerate(zip(counter.counts(), wanted.regions, strict=True)):
        assert (found.name, found.reads_compared, found.mismatches) == (due.name, due.reads_compared, due.mismatches)
        mine = [one.verdict for one in wanted.judgements if one.region == index]
        assert (found.reads_stale, found.reads_disagree) == (mine.count("stale"), mine.count("disagrees"))
        assert [(e.compared, e.low_for_high, e.high_for_low) for e in found.lanes] == [
            (e.compared, e.low_for_high, e.high_for_low) for e in due.lanes
        ]


class EveryLine:
    """A layout with all lines clipped."""

    def wired(self, line: str) -> bool:
        return True


class NoSelect:
    """A layout without selects."""

    def wired(self, line: str) -> bool:
        return False


def told(cycles: Cycles, accesses: list[Step], region_map: RegionMap, unwired: int, *, selects: bool):
    layout = EveryLine() if selects else NoSelect()
    selected = SelectedRegions(Board.from_regions("", REGIONS), region_map, layout, unwired)
    levels = {}
    for index, region in enumerate(REGIONS):
        came = np.array([one.selects == index for one in accesses], np.bool_)
        lost = np.array([one.selects == NOT_TOLD for one in accesses], np.bool_)
        levels[region.select] = np.where(lost, -1, np.where(came, 0, 1)).astype(np.int8)
    quiet = selected.fill(cycles, levels)
    return selected, quiet


@settings(max_examples=120, deadline=None)
@given(traffic, blocks)
def test_high_lines_that_are_not_clipped_are_told_by_the_board_file(accesses, block):
    """Without bit 6 the lines that are left keep all regions apart, as the banks differ from ROM and odd in bit 4."""
    unwired = 0x40
    cycles, gaps = columns(accesses, unwired)
    region_map = RegionMap(REGIONS)
    selected, quiet = told(cycles, accesses, region_map, unwired, selects=False)
    assert selected.hidden == 0
    ledger = Ledger(region_map, ADDRESS_BITS, unclipped=unwired)
    agree(in_blocks(ledger, cycles, gaps, block, quiet), twin_says(accesses, unwired))


@settings(max_examples=120, deadline=None)
@given(traffic, blocks)
def test_selects_tell_what_the_lines_do_not(accesses, block):
    """Bits 3, 4 and 6 are not clipped: by address alone both banks look alike; with each access at most one select."""
    unwired = 0x58
    cycles, gaps = columns(accesses, unwired)
    region_map = RegionMap(REGIONS)
    selected, quiet = told(cycles, accesses, region_map, unwired, selects=True)
    assert selected.hidden == 0
    ledger = Ledger(region_map, ADDRESS_BITS, unclipped=unwired)
    agree(in_blocks(ledger, cycles, gaps, block, quiet), twin_says(accesses, unwired, selects=True))


@settings(max_examples=100, deadline=None)
@given(traffic, blocks)
def test_the_writer_is_the_last_write_that_may_have_hit_the_cell(accesses, block):
    cycles, gaps = columns(accesses)
    out = in_blocks(Ledger(RegionMap(REGIONS), ADDRESS_BITS), cycles, gaps, block)
    ram = {a for r in REGIONS if r.kind == "ram" for a in range(r.start, r.end + 1)}
    last: dict[int, int] = {}
    for i, one in enumerate(accesses):
        if one.kind in (Kind.WRITE, Kind.DMA_WRITE):
            last |= {a: i for a in ram if (a ^ one.address) & ~one.unknown == 0}
        elif out.verdict[i] != Verdict.NOT_TAKEN:
            assert out.writer[i] == last.get(one.address, -1)


def test_a_page_that_only_a_write_in_doubt_touched_knows_its_writer_in_any_blocks():
    accesses = [Step(Kind.WRITE, 0x10, 0x08, 1, 0, False, 0), Step(Kind.READ, 0x18, 0, 1, 0, False, 0)]
    for block in (1, 2):
        cycles, gaps = columns(accesses)
        ledger = Ledger(RegionMap(REGIONS[:2]), ADDRESS_BITS)  # no image, so that no page is there beforehand
        assert in_blocks(ledger, cycles, gaps, block).writer.tolist() == [-1, 0]


@settings(max_examples=60, deadline=None)
@given(traffic, blocks)
def test_after_too_many_writes_in_doubt_all_is_unknown_and_nothing_is_accused_that_was_not_before(accesses, block):
    """Past its allowance of work the kernel forgets: fewer reads are compared, and those as the twin compares them."""
    cycles, gaps = columns(accesses)
    ledger = Ledger(RegionMap(REGIONS), ADDRESS_BITS)
    ledger._state[kernel.MOST_VISITS] = 8
    out = in_blocks(ledger, cycles, gaps, block)
    for i, one in enumerate(twin_says(accesses)):
        assert int(out.known[i]) & ~one.compared == 0 or one.verdict == "skipped"
        assert int(out.mismatch[i]) == one.mismatch & int(out.known[i])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 3), st.integers(0, 3)), max_size=40))
def test_a_read_that_equals_any_value_written_through_a_shared_entry_is_no_mismatch(accesses):
    """A healthy memory behind an unwired A0, whichever of the two cells each access really meant."""
    cycles = Cycles.empty(len(accesses))
    cells: dict[int, int] = {}
    rng = np.random.default_rng(len(accesses))
    for i, (write, entry, value) in enumerate(accesses):
        true_address = entry * 2 + int(rng.integers(2))
        cycles.kind[i], cycles.time[i], cycles.width[i] = Kind.WRITE if write else Kind.READ, i, 1
        cycles.address[i], cycles.address_unknown[i] = entry * 2, 1
        if write:
            cells[true_address] = value
        cycles.data[i] = cells.get(true_address, 0) if not write else value
    written: dict[int, set[int]] = {}
    out = Ledger(RegionMap([Region("bank", 0, 7)]), 16, unwired=1).feed(cycles)
    for i, (write, entry, _) in enumerate(accesses):
        if write:
            written.setdefault(entry, set()).add(int(cycles.data[i]))
        elif int(cycles.data[i]) in written.get(entry, set()):
            assert out.verdict[i] != Verdict.MISMATCH
