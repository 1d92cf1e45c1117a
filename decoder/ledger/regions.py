"""Which region each cycle falls in, and how the ledger treats it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import LatchValue, LineLevel
from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.areas import Areas
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.ledger.conditions import ALWAYS, HOLDS, HOLDS_NOT, UNSURE
from busledger.decoder.ledger.owners import Owners, lanes_of_bytes

__all__ = ["CAME", "QUIET", "SPACES", "RegionLike", "RegionMap", "actions"]

SPACES = ("memory", "io", "program")
QUIET, CAME = -1, 1
"""A region's clipped select at a cycle: it did not come; it came for an address that is not the region's."""

_ACTION = np.zeros(len(Kind), np.uint8)
for _kind in (Kind.READ, Kind.OPCODE_FETCH, Kind.DMA_READ):
    _ACTION[_kind] = kernel.IS_READ
for _kind in (Kind.WRITE, Kind.DMA_WRITE):
    _ACTION[_kind] = kernel.IS_WRITE
_NOWHERE = np.isin(np.arange(len(Kind)), (Kind.REFRESH, Kind.IDLE, Kind.INT_ACK))


class _ChipLike(Protocol):
    @property
    def lanes(self) -> tuple[int, ...]: ...


class RegionLike(Protocol):
    """What the ledger needs to know of a region of the board file.

    ``when``, ``mirror_of``, ``shared`` and ``write_protect`` are read where a region has them.
    """

    @property
    def name(self) -> str: ...
    @property
    def start(self) -> int: ...
    @property
    def end(self) -> int: ...
    @property
    def kind(self) -> str: ...
    @property
    def space(self) -> str: ...
    @property
    def image(self) -> bytes | None: ...
    @property
    def chips(self) -> Sequence[_ChipLike]: ...


def actions(cycles: Cycles) -> NDArray[np.uint8]:
    """uint8 a cycle: 0 nothing, 1 reads memory, 2 writes memory (IO is listed, not compared)."""
    found: NDArray[np.uint8] = _ACTION.take(cycles.kind)
    return found


class RegionMap:
    """The board's regions as arrays.

    Parameters
    ----------
    regions : the board's, in its order; ``Cycles.region`` holds their index
    rule_spaces : for each rule of the profile the space its cycles address;
        empty = every cycle addresses memory, IO kinds the io space
    data_bits : width of the data bus in bits
    rule_compares : for each rule whether its data may enter the ledger; empty = all may
    even_byte : "low" where the byte of the lowest address is D0-D7, "high" where it is on the topmost lanes
    """

    def __init__(
        self,
        regions: Sequence[RegionLike],
        rule_spaces: Sequence[str] = (),
        data_bits: int = 8,
        *,
        rule_compares: Sequence[bool] = (),
        even_byte: str = "low",
    ) -> None:
        self.regions = tuple(regions)
        self.data_bits = data_bits
        self.data_bytes = max(1, (data_bits + 7) // 8)
        self._starts = np.array([r.start for r in self.regions], np.int64)
        self._ends = np.array([r.end for r in self.regions], np.int64)
        self._spaces = np.array([SPACES.index(r.space) for r in self.regions], np.uint8)
        self._take_statements()
        treat = [_treatment(r) for r in self.regions]
        lanes = [_owned_lanes(r) for r in self.regions]
        self._lanes = np.array(lanes, np.uint32)
        self._owners = Owners(self._starts, self._ends, self._spaces, lanes, treat, self.data_bytes, self.when)
        self._even_low = even_byte == "low"
        self._treat = np.array([*treat, kernel.SKIP], np.uint8)  # the last one is for region -1
        self._rule_skips = ~np.array(rule_compares, np.bool_)
        self._rule_space = np.array([SPACES.index(s) for s in rule_spaces], np.uint8)
        self.areas = self._areas(lanes, 0)

    def _take_statements(self) -> None:
        """``conditions``, each once; ``when`` and ``protect`` are a region's indices of them, ALWAYS where it has
        none."""
        found: dict[LineLevel | LatchValue, int] = {}
        when = [getattr(r, "when", None) for r in self.regions]
        protect = [getattr(r, "write_protect", False) for r in self.regions]
        for condition in (*when, *protect):
            if isinstance(condition, LineLevel | LatchValue):
                found.setdefault(condition, len(found))
        self.conditions = tuple(found)
        self.when = tuple(ALWAYS if one is None else found[one] for one in when)
        self._protect = tuple(found[one] if isinstance(one, LineLevel) else ALWAYS for one in protect)
        # A device inside a memory: its addresses are taken out of the memory's.
        memories = self._memories()
        self._within = [
            r
            for r, one in enumerate(self.regions)
            if _treatment(one) == kernel.SKIP and self.when[r] == ALWAYS and _meets(one, memories)
        ]
        told = np.array(self.when, np.int64) == ALWAYS
        told[self._within] = False
        self._by_address = np.where(told, self._spaces, 255).astype(np.uint8)

    def _memories(self) -> dict[str, tuple[list[int], list[int]]]:
        """Of each space the starts of its memories, ascending, and the furthest end of all up to each."""
        found: dict[str, tuple[list[int], list[int]]] = {}
        for one in sorted(self.regions, key=lambda region: region.start):
            if _treatment(one) != kernel.SKIP:
                starts, furthest = found.setdefault(one.space, ([], []))
                starts.append(one.start)
                furthest.append(max(one.end, furthest[-1]) if furthest else one.end)
        return found

    def _areas(self, lanes: Sequence[int], whole_bits: int) -> Areas:
        """The regions' cells; with ``whole_bits`` also those of every address of that many bits."""
        first: dict[str | None, int] = {region.name: r for r, region in reversed([*enumerate(self.regions)])}
        every = (1 << 8 * self.data_bytes) - 1
        spans = [
            (r.start, r.end, SPACES.index(r.space), own or every) for r, own in zip(self.regions, lanes, strict=True)
        ]
        mirrored = [getattr(r, "mirror_of", None) for r in self.regions]
        mirrors = [first.get(name, -1) for name in mirrored]
        groups = [when + 1 for when in self.when]
        if whole_bits:
            for space in (SPACES.index("memory"), SPACES.index("program")):
                spans.append((0, (1 << whole_bits) - 1, space, every))
                mirrors.append(-1)
                groups.append(0)
        return Areas(spans, groups, mirrors, len(SPACES))

    def everywhere(self, address_bits: int) -> Areas:
        """The areas of the regions, and behind them all memory of ``address_bits`` address bits."""
        return self._areas([int(m) for m in self._lanes], address_bits)

    def spaces(self, cycles: Cycles) -> NDArray[np.uint8]:
        """uint8 a cycle, index into ``SPACES``."""
        if len(self._rule_space):
            found: NDArray[np.uint8] = self._rule_space.take(cycles.rule)
            return found
        io: NDArray[np.bool_] = (cycles.kind == Kind.IO_READ) | (cycles.kind == Kind.IO_WRITE)
        return io.astype(np.uint8)

    def locate(
        self, cycles: Cycles, space: NDArray[np.uint8], states: NDArray[np.uint8] | None = None
    ) -> NDArray[np.bool_]:
        """Fill ``cycles.region`` in place; transfers only, everything else stays -1.

        ``states`` (conditions, cycles) as ``Conditions.states`` has them; without, nothing is known of any. Returns
        bool a cycle: it may fall in a region whose condition is not known, or in two at once.
        """
        kernel.locate(
            space,
            cycles.address,
            cycles.address_unknown,
            self._starts,
            self._ends,
            self._by_address,
            self._lanes,
            cycles.width,
            self.data_bytes,
            cycles.region,
        )
        for r in reversed(self._owners.sharing):  # of two owners the first one names the cycle
            if self.when[r] == ALWAYS:
                cycles.region[self._owners.inside(r, cycles, space)] = r
        unsure = self._locate_conditional(cycles, space, states)
        for r in self._within:
            here = self._owners.inside(r, cycles, space)
            cycles.region[here] = r
            unsure[here] = False
        none = _NOWHERE.take(cycles.kind)
        if none.any():
            cycles.region[none] = -1
            unsure[none] = False
        return unsure

    def _locate_conditional(
        self, cycles: Cycles, space: NDArray[np.uint8], states: NDArray[np.uint8] | None
    ) -> NDArray[np.bool_]:
        unsure = np.zeros(len(cycles), np.bool_)
        groups = np.array([*self.when, ALWAYS], np.int64)
        for r in reversed([r for r, when in enumerate(self.when) if when != ALWAYS]):
            inside = self._owners.inside(r, cycles, space)
            state = np.full(len(cycles), UNSURE, np.uint8) if states is None else states[self.when[r]]
            here = inside & (state == HOLDS)
            # Another region answers as well, under a condition of its own: nobody knows who wins.
            unsure |= here & (cycles.region >= 0) & (groups[cycles.region] != self.when[r])
            unsure |= inside & (state == UNSURE)
            cycles.region[here] = r
        if unsure.any():
            cycles.region[unsure] = -1
        return unsure

    def may_be(self, cycles: Cycles, space: NDArray[np.uint8]) -> NDArray[np.bool_]:
        """bool (cycles, regions): the known address bits let the cycle fall in the region."""
        return self.areas.reach(cycles, space, lanes_of_bytes(cycles.width))

    def protection(self, cycles: Cycles, states: NDArray[np.uint8]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """bool a cycle, twice: its region's cells do not take writes now; whether they do is not known."""
        closed, unsure = np.zeros(len(cycles), np.bool_), np.zeros(len(cycles), np.bool_)
        for r, k in enumerate(self._protect):
            if k != ALWAYS:
                here = cycles.region == r
                closed |= here & (states[k] == HOLDS)
                unsure |= here & (states[k] == UNSURE)
        return closed, unsure

    def reach(
        self,
        cycles: Cycles,
        space: NDArray[np.uint8],
        states: NDArray[np.uint8],
        selects: NDArray[np.int8] | None,
        areas: Areas,
    ) -> NDArray[np.bool_]:
        """bool (cycles, areas): a write that may have changed cells there.

        ``states`` and ``selects`` (cycles, regions: QUIET or CAME) are of these cycles.
        """
        found = areas.reach(cycles, space, lanes_of_bytes(cycles.width))
        if selects is not None:
            some = found[:, : selects.shape[1]]
            some &= selects != QUIET
            some |= selects == CAME
        for r in range(len(self.regions)):
            if self._treat[r] != kernel.RAM:
                found[:, r] = False
                continue
            if self.when[r] != ALWAYS:
                found[:, r] &= states[self.when[r]] != HOLDS_NOT
            if self._protect[r] != ALWAYS:
                found[:, r] &= states[self._protect[r]] != HOLDS
        return found

    def taken(
        self, cycles: Cycles, space: NDArray[np.uint8], treat: NDArray[np.uint8]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        """(treatment, bytes in use) a cycle: only bytes that a region owns; ``cycles.region`` must be filled."""
        if not self._owners.parted:
            return treat, cycles.width
        return self._owners.taken(cycles, space, treat, actions(cycles) == kernel.IS_WRITE)

    def by_owner(self, cycles: Cycles, compared: Compared) -> tuple[Cycles, Compared]:
        """The accesses with one row an owner of bytes; on most boards every region owns all bytes and nothing
        changes. ``cycles.region`` must be filled."""
        if not self._owners.parted:
            return cycles, compared
        return self._owners.by_owner(cycles, compared, self.spaces(cycles))

    def image_places(self, region: int) -> tuple[NDArray[np.int64], NDArray[np.uint32]]:
        """(address, lowest data bit) of each byte of a region's image: one byte for each address the region owns."""
        one = self.regions[region]
        address = np.arange(one.start, one.end + 1, dtype=np.int64)
        byte = address % self.data_bytes
        if not self._even_low:
            byte = self.data_bytes - 1 - byte
        owned = (self._owners.bytes_of(region) >> byte) & 1 == 1
        return address[owned], (8 * byte[owned]).astype(np.uint32)

    def treatment(
        self, cycles: Cycles, left_out: NDArray[np.bool_], outside: int = kernel.SKIP
    ) -> NDArray[np.uint8]:
        """uint8 a cycle: RAM, ROM or SKIP of the ledger kernel; ``outside`` for cycles in no region, SKIP for those
        ``left_out``."""
        treat = self._treat.copy()
        treat[-1] = outside
        found: NDArray[np.uint8] = treat.take(cycles.region, mode="wrap")  # outside all regions: the last one
        if left_out.any():
            found[left_out] = kernel.SKIP
        return found

    def left_out(self, cycles: Cycles) -> NDArray[np.bool_]:
        """bool a cycle: its rule keeps it out of the ledger."""
        if not self._rule_skips.any():
            return np.zeros(len(cycles), np.bool_)
        found: NDArray[np.bool_] = self._rule_skips.take(cycles.rule)
        return found


def _owned_lanes(region: RegionLike) -> int:
    owned = 0
    for chip in region.chips:
        for lane in chip.lanes:
            owned |= 1 << lane
    return owned


def _meets(one: RegionLike, memories: Mapping[str, tuple[list[int], list[int]]]) -> bool:
    """Whether a memory of its space has an address of ``one``: of those that start in time, one reaches far enough."""
    starts, furthest = memories.get(one.space, ([], []))
    before = bisect_right(starts, one.end)
    return before > 0 and furthest[before - 1] >= one.start


def _treatment(region: RegionLike) -> int:
    if region.kind == "io" or region.space == "io" or getattr(region, "shared", False):
        return kernel.SKIP
    protected = getattr(region, "write_protect", False) is True
    return kernel.ROM if region.kind == "rom" or protected else kernel.RAM
