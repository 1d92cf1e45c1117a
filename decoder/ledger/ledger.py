"""What each address must hold, kept from the writes seen or a ROM image."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.errors import BoardError
from busledger.decoder.findings import LaneCounts, RegionCounts
from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.arrays import Accesses, Cells, Placing, Verdicts
from busledger.decoder.ledger.blur_kernel import PAGE_BITS, PAGE_MASK
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.ledger.conditions import Conditions
from busledger.decoder.ledger.count_few import FEW_CYCLES, count_few
from busledger.decoder.ledger.counted import CountedLines
from busledger.decoder.ledger.regions import SPACES, RegionMap, actions

__all__ = ["CellStories", "Counter", "Ledger"]

# The arrays a cell lives in (``arrays.py``): name, dtype, columns (0 = none), fill.
_CELLS: tuple[tuple[str, type, int, int], ...] = (
    ("value", np.uint32, 0, 0),
    ("known", np.uint32, 0, 0),
    ("stale", np.uint32, 0, 0),
    ("seen", np.uint32, 0, 0),
    ("seen_known", np.uint32, 0, 0),
    ("epoch", np.int32, 0, 0),
    ("fixed", np.uint32, 0, 0),
    ("writer", np.int64, 0, -1),
    ("story", np.uint8, 0, 0),
)
_MAX_CELLS = 1 << 27  # about 4 GB of cells: no machine of the period had it, a wrong board file might
_MOST_VISITS = 1 << 28  # cells that writes in doubt may visit in all: about a second of work


@dataclass(frozen=True, slots=True)
class CellStories:
    """Counts of a region's cells: compared at all; of these such that never read right; read before anybody had
    written them; such whose reads disagreed with no write between."""

    compared: int = 0
    never_right: int = 0
    read_unwritten: int = 0
    disagree: int = 0


class Ledger:
    """Feeds cycles through per-cell memory, block by block.

    Parameters
    ----------
    region_map : the regions; reads and writes outside all of them are not taken
    address_bits : width of the address bus
    unwired : mask of address bits that no channel carries; cells that differ in
        them only are told apart where ``CountedLines`` counts them along, and else
        a read is compared where all of them agree
    whole_space : take every memory access, inside a region or not (used before
        the regions are known)
    unclipped : mask of all address bits that no channel carries, also of those that something else told
    """

    def __init__(
        self,
        region_map: RegionMap,
        address_bits: int,
        *,
        unwired: int = 0,
        whole_space: bool = False,
        unclipped: int | None = None,
    ) -> None:
        self._map = region_map
        self._unwired = np.int64(unwired)
        self.counted = CountedLines(region_map, unwired)
        self._whole = whole_space
        self._bytes = region_map.data_bytes
        self._shift = self._bytes.bit_length() - 1
        self._areas = region_map.everywhere(address_bits) if whole_space else region_map.areas
        self._conditions = Conditions(region_map.conditions, SPACES, unwired if unclipped is None else unclipped)
        words = 1 << max(address_bits - self._shift, PAGE_BITS)
        self._pages_a_space = words >> PAGE_BITS
        self._slot_of_page = np.full(self._areas.spaces * self._pages_a_space, -1, np.int32)
        self._slots = 0
        self._state = np.zeros(6, np.int64)
        self._state[kernel.MOST_VISITS] = _MOST_VISITS
        self._gap_ends: list[int] = []
        self._first = 0
        self._cells: dict[str, NDArray[Any]] = {}
        self._grow(16)
        self._load_images()

    @property
    def shared(self) -> bool:
        """Whether unwired address lines leave open which cell an access meant."""
        return bool(self._unwired)

    # -- cells ------------------------------------------------------------
    def _grow(self, slots: int) -> None:
        cells = slots << PAGE_BITS
        if cells > _MAX_CELLS:
            raise BoardError(
                f"the traffic touches more than {_MAX_CELLS:,} memory words",
                expected="the memory of one machine",
                hint="Check the address lines' wiring, or state the regions with --region.",
            )
        for name, dtype, columns, fill in _CELLS:
            old = self._cells.get(name)
            new: NDArray[Any] = np.full((cells, columns) if columns else (cells,), fill, dtype)
            if old is not None:
                new[: old.shape[0]] = old
            self._cells[name] = new
        self._room = slots

    def _claim(self, pages: NDArray[np.int64]) -> None:
        new = np.unique(pages[self._slot_of_page[pages] < 0])
        if not len(new):
            return
        need = self._slots + len(new)
        if need > self._room:
            self._grow(max(need, 2 * self._room))
        self._slot_of_page[new] = np.arange(self._slots, need, dtype=np.int32)
        self._slots = need

    def _load_images(self) -> None:
        for index, region in enumerate(self._map.regions):
            if region.kind != "rom" or region.image is None:
                continue
            address, lane = self._map.image_places(index)
            image = np.frombuffer(region.image, np.uint8)[: len(address)]
            address, lane = address[: len(image)], lane[: len(image)]
            page, at = self._place(index, address >> self._shift)
            self._claim(np.unique(page))
            cell = (self._slot_of_page[page].astype(np.int64) << PAGE_BITS) | at
            np.bitwise_or.at(self._cells["value"], cell, image.astype(np.uint32) << lane)
            np.bitwise_or.at(self._cells["known"], cell, np.uint32(0xFF) << lane)
            np.bitwise_or.at(self._cells["fixed"], cell, np.uint32(0xFF) << lane)

    def _place(self, region: int, word: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """(page, place in it) of words of a region that keeps its own cells."""
        return int(self._areas.table[region, 5]) * self._pages_a_space + (word >> PAGE_BITS), word & PAGE_MASK

    def stories(self) -> tuple[CellStories, ...]:
        """What happened to the cells of each region, in the board's order; nothing where cells share an entry."""
        return tuple(self._story(i) for i in range(len(self._map.regions)))

    def _story(self, region: int) -> CellStories:
        if self.shared:
            return CellStories()
        one = self._map.regions[region]
        page, at = self._place(region, np.arange(one.start >> self._shift, (one.end >> self._shift) + 1))
        slot = self._slot_of_page[page].astype(np.int64)
        story = self._cells["story"][(slot[slot >= 0] << PAGE_BITS) | at[slot >= 0]]
        right, wrong = story & kernel.RIGHT != 0, story & kernel.WRONG != 0
        return CellStories(
            compared=int((right | wrong).sum()),
            never_right=int((wrong & ~right).sum()),
            read_unwritten=int((story & kernel.READ_UNWRITTEN != 0).sum()),
            disagree=int((story & kernel.DISAGREED != 0).sum()),
        )

    # -- traffic ----------------------------------------------------------
    def feed(
        self,
        cycles: Cycles,
        gaps: Sequence[tuple[int, int]] = (),
        *,
        levels: Mapping[str, NDArray[np.int8]] | None = None,
        selects: NDArray[np.int8] | None = None,
    ) -> Compared:
        """Compare one block of cycles and remember its writes.

        ``gaps`` are spans (ticks) without samples that have become known since
        the last call; a cycle at or after a gap's end finds the ledger stale.
        ``cycles.region`` is filled in place, and address bits that are counted along. ``levels``: for each line that a
        condition names 1, 0 or -1 (not known) a cycle. ``selects``: int8
        (cycles, regions), QUIET or CAME as ``SelectedRegions.fill`` has it.
        """
        n = len(cycles)
        space = self._map.spaces(cycles)
        states = self._conditions.states(cycles, space, [end for _, end in gaps], levels or {})
        unsure = self._map.locate(cycles, space, states)
        self.counted.fill(cycles)
        action = actions(cycles)
        treat, width, reach = self._treated(cycles, space, action, states, unsure, selects)
        where, address, unknown = self._areas.cells(cycles, space)
        self._gap_ends = sorted([*self._gap_ends, *(end for _, end in gaps)])
        self._claim_for(where, address, (action != kernel.IS_NOTHING) & (treat < kernel.SKIP))
        if address is not cycles.address:
            maybe = treat == kernel.MAYBE  # told by the bus address, which may reach several areas
            if maybe.any():
                address = np.where(maybe, cycles.address, address)
                unknown = np.where(maybe, cycles.address_unknown, unknown)
        out = Compared.empty(n, self._first)
        block = Accesses(
            action, where, treat, address, unknown, cycles.data, cycles.data_unknown, width, cycles.time
        )  # fmt: skip
        told = self._areas.table, reach, np.array(self._gap_ends, np.int64), self._state
        placing = Placing(self._shift, self._bytes, self._pages_a_space, self._slot_of_page)
        verdicts = Verdicts(out.verdict, out.expected, out.known, out.mismatch, out.writer)
        kernel.feed(block, self._first, self._unwired, *told, placing, Cells(**self._cells), verdicts)
        self._first += n
        return out

    def _treated(
        self,
        cycles: Cycles,
        space: NDArray[np.uint8],
        action: NDArray[np.uint8],
        states: NDArray[np.uint8],
        unsure: NDArray[np.bool_],
        selects: NDArray[np.int8] | None,
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.bool_]]:
        """(treatment, bytes in use) a cycle, and the areas that each write in doubt may have reached."""
        left_out = self._map.left_out(cycles)
        treat = self._map.treatment(cycles, left_out, kernel.RAM if self._whole else kernel.SKIP)
        writes = action == kernel.IS_WRITE
        closed, doubtful = self._map.protection(cycles, states)
        maybe = cycles.address_unknown != 0
        for doubt in (unsure, doubtful):
            if doubt.any():
                maybe |= doubt
        if unsure.any():
            treat[unsure] = kernel.SKIP
        if closed.any():
            treat[closed & writes] = kernel.ROM
        treat, width = self._map.taken(cycles, space, treat)
        maybe &= writes
        rows = np.flatnonzero(maybe)
        rows = rows[~left_out[rows]]
        if not len(rows):
            return treat, width, np.zeros((0, len(self._areas.table)), np.bool_)
        some = cycles.take(rows)
        seen = None if selects is None else selects[rows]
        reach = self._map.reach(some, space[rows], states[:, rows], seen, self._areas)
        anywhere = reach.any(axis=1)
        pages = self._areas.pages(some, reach, self._shift, PAGE_BITS, kernel.MOST_AT_ONCE)
        if pages:
            self._claim(np.array([where * self._pages_a_space + page for where, page in pages], np.int64))
        treat[rows] = np.where(anywhere, kernel.MAYBE, kernel.SKIP)
        width[rows] = cycles.width[rows]
        return treat, width, reach[anywhere]

    def _claim_for(self, space: NDArray[np.uint8], address: NDArray[np.uint32], taken: NDArray[np.bool_]) -> None:
        page = (address >> np.uint32(self._shift + PAGE_BITS)).astype(np.int64)
        if space.any():
            page += space.astype(np.int64) * self._pages_a_space
        missing = (self._slot_of_page < 0).take(page)
        missing &= taken
        if missing.any():
            self._claim(page[missing])


class Counter:
    """The ledger's sums per region and lane, over blocks."""

    def __init__(self, region_map: RegionMap) -> None:
        self._map = region_map
        regions = max(1, len(region_map.regions))
        self._totals = np.zeros((regions, 10), np.int64)
        self._lanes = np.zeros((regions, 32, 3), np.int64)
        self._cycles = 0

    def feed(self, cycles: Cycles, compared: Compared) -> None:
        """Add one block; ``cycles.region`` must be filled."""
        self._cycles += len(cycles)
        count = count_few if self._cycles <= FEW_CYCLES else kernel.count_block
        count(
            cycles.region,
            compared.verdict,
            actions(cycles),
            compared.known,
            compared.expected,
            compared.mismatch,
            compared.writer,
            self._totals,
            self._lanes,
        )

    def counts(self, stories: Sequence[CellStories] = ()) -> tuple[RegionCounts, ...]:
        """One entry a region, in the board's order, lanes from D0 up; ``stories`` of its cells, where known."""
        return tuple(self._one(i, stories[i] if stories else CellStories()) for i in range(len(self._map.regions)))

    def _one(self, i: int, cells: CellStories) -> RegionCounts:
        region = self._map.regions[i]
        writes, reads, compared, wrong, unknown, stale, disagree, ambiguous, unwritten, differ = (
            int(v) for v in self._totals[i]
        )
        lanes = tuple(
            LaneCounts(
                lane=f"D{lane}",
                compared=int(self._lanes[i, lane, 0]),
                low_for_high=int(self._lanes[i, lane, 1]),
                high_for_low=int(self._lanes[i, lane, 2]),
            )
            for lane in range(self._map.data_bits)
        )
        return RegionCounts(
            name=region.name,
            writes=writes,
            reads=reads,
            reads_compared=compared,
            mismatches=wrong,
            reads_unknown=unknown,
            reads_stale=stale,
            reads_disagree=disagree,
            reads_ambiguous=ambiguous,
            reads_never_written=unwritten,
            reads_never_written_disagree=differ,
            cells_compared=cells.compared,
            cells_never_right=cells.never_right,
            cells_read_unwritten=cells.read_unwritten,
            cells_disagree=cells.disagree,
            lanes=lanes,
            start=region.start,
            end=region.end,
            kind=region.kind,
            inferred=bool(getattr(region, "inferred", False)),
        )
