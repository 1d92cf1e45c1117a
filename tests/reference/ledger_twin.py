"""A plain ledger: what each bit of each address must hold, from the accesses seen. Slow and simple on purpose.

Written from the design's words alone ("The ledger"), as a second opinion to hold a fast ledger against.

Every cell is one small record. A bit of a cell is in one of three states:

known    the ledger stands for its level;
stale    it was known before samples went missing;
unknown  never written, written with a doubtful level, or possibly overwritten by a write that may have gone elsewhere.

An ambiguous bit (old or new) is an unknown bit here: a bit has two levels only, so "either is right" and "nothing is
known" are the same test. A read never settles an ambiguous bit, just as it never makes an unknown bit known; two reads
of it that differ with no write between are a disagreement.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tests.reference.ledger_types import (
    NEITHER,
    READS,
    WRITES,
    Access,
    Choices,
    Judgement,
    LaneCount,
    Region,
    RegionCount,
    Result,
    ToldBy,
    Verdict,
)

Place = tuple[int, int]
"""Index of the region, and the address of the cell in it."""


@dataclass
class Cell:
    """What the ledger has on one address of one region; all but `written` are bit masks or levels."""

    value: int = 0
    known: int = 0
    stale: int = 0
    seen: int = 0
    """Unknown bits that were read since the last write or gap, with their levels in `last`."""
    last: int = 0
    written: bool = False


@dataclass
class Entry:
    """The cells that one access may mean, and whether it certainly went to one of them."""

    places: list[Place]
    certain: bool


def submasks(mask: int) -> Iterator[int]:
    """Every way to set the bits of `mask`, none first: submasks(0b101) gives 0, 1, 4, 5."""
    sub = 0
    while True:
        yield sub
        if sub == mask:
            return
        sub = (sub - mask) & mask


class Ledger:
    """Takes accesses one by one, in time order; `step` says what it thinks of each, `counts` has the sums."""

    def __init__(
        self,
        regions: Sequence[Region],
        address_bits: int = 16,
        data_bits: int = 8,
        unwired: int = 0,
        told_by: ToldBy = "address",
        choices: Choices | None = None,
    ) -> None:
        self.regions = list(regions)
        self.all_lanes = (1 << data_bits) - 1
        self.unwired = unwired & ((1 << address_bits) - 1)
        self.wired = ~unwired & ((1 << address_bits) - 1)
        self.told_by = told_by
        self.choices = choices or Choices()
        self.cells: dict[Place, Cell] = {}
        self.counts: list[RegionCount] = []
        for region in self.regions:
            _check(region)
            lanes = [LaneCount(f"D{bit}") for bit in range(data_bits) if self._lanes(region) >> bit & 1]
            self.counts.append(RegionCount(region.name, lanes=lanes))

    # -- which cells an access means -------------------------------------------------------------------------------

    def _lanes(self, region: Region) -> int:
        return self.all_lanes if region.lanes is None else region.lanes & self.all_lanes

    def _matching(self, access: Access, among: Iterable[int]) -> tuple[list[Place], bool]:
        """Cells that share every known wired address bit, and whether the access may belong to no region.

        Told by the address, the board file is taken to name all the memory there is: among the addresses that only
        differ in unwired bits, one that a region has stands for all. Told by selects, that is not assumed.
        """
        space = "io" if access.kind.startswith("io-") else access.space
        doubtful = access.address_unknown & self.wired
        base = access.address & self.wired & ~doubtful
        indices = [i for i in among if self.regions[i].space == space]
        places: list[Place] = []
        outside = False
        for doubt in submasks(doubtful):
            hits = misses = 0
            for free in submasks(self.unwired):
                address = base | doubt | free
                here = [(i, address) for i in indices if self.regions[i].start <= address <= self.regions[i].end]
                places.extend(here)
                hits += bool(here)
                misses += not here
            outside = outside or hits == 0 or (self.told_by == "select" and misses > 0)
        return places, outside

    def _behind_select(self, access: Access, index: int) -> list[Place]:
        """Cells of a region that share the wired bits below the region's size: what its chips can see."""
        region = self.regions[index]
        low = (1 << (region.end - region.start).bit_length()) - 1
        sight = low & self.wired & ~access.address_unknown
        addresses = range(region.start, region.end + 1)
        return [(index, a) for a in addresses if (a ^ access.address) & sight == 0]

    def _entries(self, access: Access) -> tuple[list[Entry], bool]:
        """The entries that an access goes to (all of them), and whether it may have gone outside every region."""
        doubtful = access.address_unknown & self.wired != 0
        if self.told_by == "address" or access.selected is None:
            places, outside = self._matching(access, range(len(self.regions)))
            return ([Entry(places, not doubtful and not outside)] if places else []), outside
        entries: list[Entry] = []
        for index in sorted(access.selected):
            places, _ = self._matching(access, [index])
            if places:
                entries.append(Entry(places, not doubtful))
            else:  # the select says this region, the address says another place: either may be what happened
                entries.append(Entry(self._behind_select(access, index), False))
                by_address, _ = self._matching(access, range(len(self.regions)))
                if by_address:
                    entries.append(Entry(by_address, False))
        return entries, not entries

    def _only_region(self, entries: list[Entry], outside: bool) -> int:
        """The region that an access certainly belongs to, or -1."""
        indices = {index for entry in entries for index, _ in entry.places}
        return indices.pop() if len(indices) == 1 and not outside else -1

    # -- cells -----------------------------------------------------------------------------------------------------

    def _cell(self, place: Place) -> Cell:
        """The record of a cell; a ROM with an image is known from the start."""
        if place not in self.cells:
            index, address = place
            region = self.regions[index]
            cell = Cell()
            if region.kind == "rom" and region.image is not None and address - region.start < len(region.image):
                cell.value = region.image[address - region.start] & self._lanes(region)
                cell.known = self._lanes(region)
            self.cells[place] = cell
        return self.cells[place]

    def _gap(self) -> None:
        """Samples are missing: writes may have been missed, so nothing that can be written is sure any more."""
        for (index, _), cell in self.cells.items():
            if self.regions[index].kind != "rom":
                cell.stale |= cell.known
                cell.known = 0
            cell.seen = 0

    def _store(self, place: Place, data: int, good: int) -> None:
        """A write that certainly went to this cell."""
        cell = self._cell(place)
        cell.seen = 0
        if self.regions[place[0]].kind == "ram":
            cell.known = good & self._lanes(self.regions[place[0]])
            cell.value = data & cell.known
            cell.stale = 0
            cell.written = True

    def _may_store(self, place: Place, data: int, good: int) -> None:
        """A write that may have gone to this cell or to another: it holds its old value or the new one."""
        cell = self._cell(place)
        cell.seen = 0
        if self.regions[place[0]].kind == "ram":
            same = good & ~(cell.value ^ data)
            cell.known &= same
            cell.stale &= same
            cell.value &= cell.known | cell.stale
            cell.written = True

    def _write(self, entries: list[Entry], data: int, good: int) -> None:
        for entry in entries:
            cells = [self._cell(place) for place in entry.places]
            all_ram = all(self.regions[index].kind == "ram" for index, _ in entry.places)
            first = self.choices.shared_entry == "written" and all_ram and not any(cell.written for cell in cells)
            for place in entry.places:
                if entry.certain and (len(cells) == 1 or first):
                    self._store(place, data, good)
                else:
                    self._may_store(place, data, good)

    # -- reads -----------------------------------------------------------------------------------------------------

    def _together(self, places: list[Place]) -> tuple[int, int, int]:
        """Level, known bits and stale bits that hold whichever of the cells answers."""
        known = either = high = low = self.all_lanes
        for place in places:
            cell = self._cell(place)
            known &= cell.known
            either &= cell.known | cell.stale
            high &= cell.value
            low &= ~cell.value
        settled = either & (high | low)
        return high & settled, known & settled, settled & ~known

    def _read(self, places: list[Place], region: int, data: int, good: int) -> Judgement:
        value, known, stale = self._together(places)
        differs = (value ^ data) & good
        wrong = known & differs
        stale_wrong = stale & differs
        confirmed = stale & good & ~differs
        compared = known & good
        if self.choices.stale_right_is_compared and not stale_wrong:
            compared |= confirmed
        disagree = self._remember(places, data, good, confirmed)
        verdict: Verdict
        if wrong:
            verdict = "mismatch"
        elif disagree:
            verdict = "disagrees"
        elif stale_wrong:
            verdict = "stale"
        elif compared:
            verdict = "agrees"
        else:
            verdict = "unknown"
        if region >= 0:
            self._count_read(region, value, compared, wrong, bool(stale_wrong), bool(disagree))
        return Judgement(verdict, region, value, known, stale, compared, wrong)

    def _remember(self, places: list[Place], data: int, good: int, confirmed: int) -> int:
        """Stale bits that read right become known; unknown bits keep what was read. Gives the bits that disagree."""
        if len(places) > 1 and self.choices.shared_entry == "strict":
            return 0  # which of the cells answered is not known
        disagree = 0
        for place in places:
            cell = self._cell(place)
            cell.known |= confirmed
            cell.stale &= ~confirmed
            if len(places) == 1:
                unknown = self._lanes(self.regions[place[0]]) & ~(cell.known | cell.stale) & good
                disagree = unknown & cell.seen & (cell.last ^ data)
                cell.last = (cell.last & ~unknown) | (data & unknown)
                cell.seen |= unknown
        return disagree

    def _count_read(
        self, region: int, value: int, compared: int, wrong: int, stale_wrong: bool, disagrees: bool
    ) -> None:
        count = self.counts[region]
        count.reads_compared += compared != 0
        count.mismatches += wrong != 0
        count.reads_stale += stale_wrong
        count.reads_disagree += disagrees
        count.reads_unknown += not (compared or stale_wrong or disagrees)
        for lane in count.lanes:
            bit = 1 << int(lane.lane[1:])
            lane.compared += compared & bit != 0
            if wrong & bit:
                lane.low_for_high += value & bit != 0
                lane.high_for_low += value & bit == 0

    # -- one access ------------------------------------------------------------------------------------------------

    def step(self, access: Access) -> Judgement:
        """Take the next access and judge it."""
        if access.after_gap:
            self._gap()
        if access.kind in NEITHER:
            return Judgement("skipped")
        if access.kind not in WRITES + READS:
            raise ValueError(f"kind {access.kind!r}; expected one of {', '.join(WRITES + READS + NEITHER)}")
        entries, outside = self._entries(access)
        region = self._only_region(entries, outside)
        good = self.all_lanes & ~access.data_unknown
        if access.kind in WRITES:
            if region >= 0:
                self.counts[region].writes += 1
            self._write(entries, access.data, good)
            return Judgement("skipped", region)
        if region >= 0:
            self.counts[region].reads += 1
        places = [place for entry in entries for place in entry.places]
        if not places or all(self.regions[index].kind == "io" for index, _ in places):
            return Judgement("skipped", region)
        if not all(entry.certain for entry in entries):
            if region >= 0:
                self.counts[region].reads_unknown += 1
            return Judgement("skipped", region)
        return self._read(places, region, access.data, good)


def run(
    regions: Sequence[Region],
    accesses: Iterable[Access],
    *,
    address_bits: int = 16,
    data_bits: int = 8,
    unwired: int = 0,
    told_by: ToldBy = "address",
    choices: Choices | None = None,
) -> Result:
    """The whole of a capture: one judgement per access, one count per region."""
    ledger = Ledger(regions, address_bits, data_bits, unwired, told_by, choices)
    judgements = [ledger.step(access) for access in accesses]
    return Result(judgements, ledger.counts)


def _check(region: Region) -> None:
    """Refuse a region that the rules do not cover."""
    if region.end < region.start:
        raise ValueError(f"region {region.name!r} ends at {region.end:#x}, before its start {region.start:#x}")
    if region.image is not None and region.kind != "rom":
        raise ValueError(f"region {region.name!r} is {region.kind} and has an image; only a rom may have one")
    if region.image is not None and len(region.image) > region.end - region.start + 1:
        raise ValueError(f"region {region.name!r} holds fewer words than its image has ({len(region.image)})")
