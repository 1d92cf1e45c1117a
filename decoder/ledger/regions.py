"""Which region each cycle falls in, and how the ledger treats it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger import ledger_kernel as kernel
from busledger.decoder.ledger.columns import Compared
from busledger.decoder.ledger.owners import Owners

__all__ = ["SPACES", "RegionLike", "RegionMap", "actions"]

SPACES = ("memory", "io", "program")

_ACTION = np.zeros(len(Kind), np.uint8)
for _kind in (Kind.READ, Kind.OPCODE_FETCH, Kind.DMA_READ):
    _ACTION[_kind] = kernel.IS_READ
for _kind in (Kind.WRITE, Kind.DMA_WRITE):
    _ACTION[_kind] = kernel.IS_WRITE


class _ChipLike(Protocol):
    @property
    def lanes(self) -> tuple[int, ...]: ...


class RegionLike(Protocol):
    """What the ledger needs to know of a region of the board file."""

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
    found: NDArray[np.uint8] = _ACTION[cycles.kind]
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
        treat = [_treatment(r) for r in self.regions]
        lanes = [_owned_lanes(r) for r in self.regions]
        self._lanes = np.array(lanes, np.uint32)
        self._owners = Owners(self._starts, self._ends, self._spaces, lanes, treat, self.data_bytes)
        self._even_low = even_byte == "low"
        self._treat = np.array([*treat, kernel.SKIP], np.uint8)  # the last one is for region -1
        self._rule_skips = ~np.array(rule_compares, np.bool_)
        self._rule_space = np.array([SPACES.index(s) for s in rule_spaces], np.uint8)

    def spaces(self, cycles: Cycles) -> NDArray[np.uint8]:
        """uint8 a cycle, index into ``SPACES``."""
        if len(self._rule_space):
            found: NDArray[np.uint8] = self._rule_space[cycles.rule]
            return found
        io: NDArray[np.bool_] = (cycles.kind == Kind.IO_READ) | (cycles.kind == Kind.IO_WRITE)
        return io.astype(np.uint8)

    def locate(self, cycles: Cycles, space: NDArray[np.uint8]) -> None:
        """Fill ``cycles.region`` in place; transfers only, everything else stays -1."""
        kernel.locate(
            space,
            cycles.address,
            cycles.address_unknown,
            self._starts,
            self._ends,
            self._spaces,
            self._lanes,
            cycles.width,
            self.data_bytes,
            cycles.region,
        )
        for r in reversed(self._owners.sharing):  # of two owners the first one names the cycle
            cycles.region[self._owners.rows(r, cycles, space)] = r
        cycles.region[(cycles.kind == Kind.REFRESH) | (cycles.kind == Kind.IDLE) | (cycles.kind == Kind.INT_ACK)] = -1

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

    def treatment(self, cycles: Cycles, outside: int = kernel.SKIP) -> NDArray[np.uint8]:
        """uint8 a cycle: RAM, ROM or SKIP of the ledger kernel; ``outside`` for cycles in no region."""
        treat = self._treat.copy()
        treat[-1] = outside
        found: NDArray[np.uint8] = treat[cycles.region]
        if self._rule_skips.any():
            found[self._rule_skips[cycles.rule]] = kernel.SKIP
        return found


def _owned_lanes(region: RegionLike) -> int:
    owned = 0
    for chip in region.chips:
        for lane in chip.lanes:
            owned |= 1 << lane
    return owned


def _treatment(region: RegionLike) -> int:
    if region.kind == "io" or region.space == "io":
        return kernel.SKIP
    return kernel.ROM if region.kind == "rom" else kernel.RAM
