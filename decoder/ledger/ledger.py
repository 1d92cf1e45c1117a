"""What each address must hold, kept from the writes seen or a ROM image."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles
from busledger.decoder.errors import BoardError
from busledger.decoder.findings import LaneCounts, RegionCounts
from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.ledger.regions import SPACES, RegionMap, actions

__all__ = ["Counter", "Ledger"]

# The arrays a cell lives in, in the order of the kernels' arguments: name, dtype, columns (0 = none), fill.
_CELLS: tuple[tuple[str, type, int, int], ...] = (
    ("value", np.uint32, 0, 0),
    ("known", np.uint32, 0, 0),
    ("stale", np.uint32, 0, 0),
    ("seen", np.uint32, 0, 0),
    ("seen_known", np.uint32, 0, 0),
    ("epoch", np.int32, 0, 0),
    ("fixed", np.uint32, 0, 0),
    ("writer", np.int64, 0, -1),
)
_SHARED_CELLS: tuple[tuple[str, type, int, int], ...] = (
    ("values", np.uint32, kernel.MAX_VALUES, 0),
    ("count", np.uint8, 0, 0),
    ("writes", np.int64, 0, 0),
    ("epoch", np.int32, 0, 0),
    ("writer", np.int64, 0, -1),
)
_MAX_CELLS = 1 << 27  # about 4 GB of cells: no machine of the period had it, a wrong board file might


class Ledger:
    """Feeds cycles through per-cell memory, block by block.

    Parameters
    ----------
    region_map : the regions; reads and writes outside all of them are not taken
    address_bits : width of the address bus
    unwired : mask of address bits that no channel carries; cells that differ in
        them only share an entry
    whole_space : take every memory access, inside a region or not (used before
        the regions are known)
    """

    def __init__(
        self, region_map: RegionMap, address_bits: int, *, unwired: int = 0, whole_space: bool = False
    ) -> None:
        self._map = region_map
        self._unwired = np.uint32(unwired)
        self._shared = unwired != 0
        self._whole = whole_space
        self._bytes = region_map.data_bytes
        self._shift = self._bytes.bit_length() - 1
        words = 1 << max(address_bits - self._shift, kernel.PAGE_BITS)
        self._pages_a_space = words >> kernel.PAGE_BITS
        self._slot_of_page = np.full(len(SPACES) * self._pages_a_space, -1, np.int32)
        self._slots = 0
        self._epoch = 0
        self._gap_next = 0
        self._gap_ends: list[int] = []
        self._first = 0
        # 2**k cells share an entry; it is believed complete after that many writes.
        self._needed = 1 << int(unwired >> self._shift).bit_count()
        self._cells: dict[str, NDArray[Any]] = {}
        self._grow(16)
        self._load_images()

    @property
    def shared(self) -> bool:
        """Whether unwired address lines make several cells share an entry."""
        return self._shared

    # -- cells ------------------------------------------------------------
    def _grow(self, slots: int) -> None:
        cells = slots << kernel.PAGE_BITS
        if cells > _MAX_CELLS:
            raise BoardError(
                f"the traffic touches more than {_MAX_CELLS:,} memory words",
                expected="the memory of one machine",
                hint="Check the address lines' wiring, or state the regions with --region.",
            )
        for name, dtype, columns, fill in _SHARED_CELLS if self._shared else _CELLS:
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
        if self._shared:
            return  # several ROM cells behind one entry: nothing is sure
        for index, region in enumerate(self._map.regions):
            if region.kind != "rom" or region.image is None:
                continue
            address, lane = self._map.image_places(index)
            image = np.frombuffer(region.image, np.uint8)[: len(address)]
            address, lane = address[: len(image)], lane[: len(image)]
            word = address >> self._shift
            page = SPACES.index(region.space) * self._pages_a_space + (word >> kernel.PAGE_BITS)
            self._claim(np.unique(page))
            cell = (self._slot_of_page[page].astype(np.int64) << kernel.PAGE_BITS) | (word & kernel.PAGE_MASK)
            np.bitwise_or.at(self._cells["value"], cell, image.astype(np.uint32) << lane)
            np.bitwise_or.at(self._cells["known"], cell, np.uint32(0xFF) << lane)
            np.bitwise_or.at(self._cells["fixed"], cell, np.uint32(0xFF) << lane)

    # -- traffic ----------------------------------------------------------
    def feed(
        self, cycles: Cycles, gaps: Sequence[tuple[int, int]] = (), doubtful: NDArray[np.bool_] | None = None
    ) -> Compared:
        """Compare one block of cycles and remember its writes.

        ``gaps`` are spans (ticks) without samples that have become known since
        the last call; a cycle at or after a gap's end finds the ledger stale.
        ``cycles.region`` is filled in place. ``doubtful`` marks cycles that may
        belong to any region (bool, one a cycle): what such a write may have changed is stale.
        """
        n = len(cycles)
        space = self._map.spaces(cycles)
        self._map.locate(cycles, space)
        treat = self._map.treatment(cycles, outside=kernel.RAM if self._whole else kernel.SKIP)
        action = actions(cycles)
        if doubtful is not None:
            treat[doubtful & (cycles.region < 0) & (action == kernel.IS_WRITE)] = kernel.RAM
        treat, width = self._map.taken(cycles, space, treat)
        self._gap_ends = sorted([*self._gap_ends, *(end for _, end in gaps)])
        taken = (action != kernel.IS_NOTHING) & (treat != kernel.SKIP)
        self._claim_for(cycles, space, taken)
        out = Compared.empty(n)
        out.index += self._first
        access: tuple[Any, ...] = (action, space, treat, cycles.address, cycles.address_unknown)
        access += (cycles.data, cycles.data_unknown, width, cycles.time, self._first)
        if self._shared:
            access += (self._unwired,)
        access += (np.array(self._gap_ends, np.int64), self._epoch, self._gap_next)
        access += (self._shift, self._bytes, self._pages_a_space, self._slot_of_page)
        access += tuple(self._cells.values())
        if self._shared:
            access += (self._needed,)
        access += (out.verdict, out.expected, out.known, out.mismatch, out.writer)
        if self._shared:
            self._epoch, self._gap_next = kernel.feed_shared(*access)
        else:
            self._epoch, self._gap_next = kernel.feed(*access)
        self._first += n
        return out

    def _claim_for(self, cycles: Cycles, space: NDArray[np.uint8], taken: NDArray[np.bool_]) -> None:
        page = cycles.address.astype(np.int64)
        page >>= self._shift + kernel.PAGE_BITS
        page += space.astype(np.int64) * self._pages_a_space
        missing = taken & (self._slot_of_page[page] < 0)
        if missing.any():
            self._claim(page[missing])


class Counter:
    """The ledger's sums per region and lane, over blocks."""

    def __init__(self, region_map: RegionMap) -> None:
        self._map = region_map
        regions = max(1, len(region_map.regions))
        self._totals = np.zeros((regions, 8), np.int64)
        self._lanes = np.zeros((regions, 32, 3), np.int64)

    def feed(self, cycles: Cycles, compared: Compared) -> None:
        """Add one block; ``cycles.region`` must be filled."""
        kernel.count_block(
            cycles.region,
            compared.verdict,
            actions(cycles),
            compared.known,
            compared.expected,
            compared.mismatch,
            self._totals,
            self._lanes,
        )

    def counts(self) -> tuple[RegionCounts, ...]:
        """One entry a region, in the board's order, lanes from D0 up."""
        return tuple(self._one(i) for i in range(len(self._map.regions)))

    def _one(self, i: int) -> RegionCounts:
        region = self._map.regions[i]
        writes, reads, compared, wrong, unknown, stale, disagree, ambiguous = (int(v) for v in self._totals[i])
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
            lanes=lanes,
            start=region.start,
            end=region.end,
            kind=region.kind,
            inferred=bool(getattr(region, "inferred", False)),
        )
