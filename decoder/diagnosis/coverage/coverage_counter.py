"""Counts, access by access, of what a capture exercised and proved: for coverage and for clearing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Region
from busledger.decoder.bus.columns import WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.coverage import coverage_kernel as kernel
from busledger.decoder.diagnosis.coverage.arrays import Accesses, Regions, State, Sums
from busledger.decoder.ledger import Compared, Verdict

__all__ = ["CoverageCounter", "mask_of"]

_IS_WRITE = np.isin(np.arange(len(Kind)), np.array(WRITE_KINDS))
_JUDGED = np.isin(np.arange(len(Verdict)), (Verdict.AGREES, Verdict.MISMATCH))


class CoverageCounter:
    """Streaming counts of what the accesses proved, for coverage and for clearing.

    Memory is a few words a cell of the regions, whatever the length of the capture.

    Parameters
    ----------
    board : the card; ``Cycles.region`` holds indexes of its regions
    address_bits, data_bits : widths of the bus
    unwired : mask of address bits that no channel carries

    Attributes
    ----------
    levels : int64 (regions, 2, lanes, 2): compared bits, right (0) or wrong (1), by expected level
    moves : int64 (regions, lanes, 2): compared bits whose level differs from what the idle bus held, by level
    driven : int64 (regions,): right reads that the idle bus did not hold already
    before, until : int64 (lanes, regions, 2): right bits by level at the lane's first (-1 = none) and last wrong bit
    pairs : int64 (regions, lanes, lanes): right reads in which lanes i < j were due at different levels
    toggled : int64 (regions, bits): word address bits that changed between compared reads of the region
    alias : int64 (regions, 2, bits, 2): reads, right (0) or wrong (1), by the bit's level, that come right only if the
        partner across that bit is another cell
    apart : int64 (regions, regions): right reads of the first that show the second's cell to be another
    comparable : bool (regions, regions): pairs that a wrong select could mix up
    whole : int64 (regions,): wrong reads that touch two chips of the region at once, or its only one
    """

    def __init__(self, board: Board, address_bits: int, data_bits: int, unwired: int = 0) -> None:
        self.board = board
        self.data_bits = data_bits
        self.unwired = unwired
        self.cells = CellSpace(board.regions, address_bits, data_bits)
        self.shift = self.cells.shift
        n = len(board.regions)
        self.masks = [mask_of(r.lanes) or (1 << data_bits) - 1 for r in board.regions]
        self._base = np.array(self.cells.base, np.int64)
        self._size = np.array(self.cells.size, np.int64)
        self.bits = np.array([(size - 1).bit_length() for size in self.cells.size], np.int64)
        self._width_lanes = np.tile(_width_lanes(data_bits), 16)  # of eight bits the lower four count
        self._rom = np.array([r.kind == "rom" for r in board.regions], np.bool_)
        self.comparable = _comparable(board.regions, self.masks)
        self._chips = [
            [mask_of(chip.lanes) for chip in r.chips] or [m] for r, m in zip(board.regions, self.masks, strict=True)
        ]
        total, most = max(1, self.cells.total), int(self.bits.max(initial=1))
        self._value, self._valid = np.zeros(total, np.uint32), np.zeros(total, np.uint32)
        self._stamp, self._clock = np.zeros(total, np.int64), np.zeros(1, np.int64)
        self.flags: NDArray[np.uint8] = np.zeros(total, np.uint8)
        self._last = np.full(n, -1, np.int64)
        self.levels: NDArray[np.int64] = np.zeros((n, 2, data_bits, 2), np.int64)
        self.moves: NDArray[np.int64] = np.zeros((n, data_bits, 2), np.int64)
        self.driven: NDArray[np.int64] = np.zeros(n, np.int64)
        self.before: NDArray[np.int64] = np.full((data_bits, n, 2), -1, np.int64)
        self.until: NDArray[np.int64] = np.zeros((data_bits, n, 2), np.int64)
        self.pairs: NDArray[np.int64] = np.zeros((n, data_bits, data_bits), np.int64)
        self.toggled: NDArray[np.int64] = np.zeros((n, most), np.int64)
        self.alias: NDArray[np.int64] = np.zeros((n, 2, most, 2), np.int64)
        self.apart: NDArray[np.int64] = np.zeros((n, n), np.int64)
        self.whole: NDArray[np.int64] = np.zeros(n, np.int64)
        self._seen = np.zeros((3, n if data_bits <= 8 else 0, 256), np.int64)
        self.accesses: NDArray[np.int64] = np.zeros(n, np.int64)

    def feed(self, cycles: Cycles, compared: Compared) -> None:
        """Add one block of the access log."""
        if not len(self.board.regions) or not len(cycles):
            return
        if bool((cycles.region < 0).any()):
            inside = cycles.region >= 0
            cycles, compared = cycles.take(inside), compared.take(inside)
        self.accesses += np.bincount(cycles.region, minlength=len(self.board.regions))
        wrong = bool(compared.mismatch.any())
        lanes = self._width_lanes.take(cycles.width)
        kernel.observe(
            Accesses(
                self.cells.locate(cycles.region, cycles.address), cycles.address.astype(np.int64) >> self.shift,
                cycles.region, _IS_WRITE.take(cycles.kind), cycles.data, cycles.data_unknown, lanes,
                _JUDGED.take(compared.verdict), compared.expected, compared.known, compared.mismatch, cycles.kept,
            ),
            Regions(self._base, self._size, self.bits, self._rom, self.comparable),
            State(self._value, self._valid, self._stamp, self._clock, self.flags, self._last),
            Sums(
                self.levels, self.moves, self.driven, self.before, self.until, self.pairs, self.toggled, self.alias,
                self.apart, self._seen if self.data_bits <= 8 and not wrong else self._seen[:, :0],
            ),
        )  # fmt: skip
        if wrong:
            self._count_whole(cycles.region, compared.mismatch)

    def _count_whole(self, region: NDArray[np.int16], mismatch: NDArray[np.uint32]) -> None:
        bad = np.flatnonzero(mismatch)
        for r in np.unique(region[bad]).tolist():
            wrong = mismatch[bad[region[bad] == r]]
            touched = np.zeros(len(wrong), np.int64)
            for mask in self._chips[r]:
                touched += (wrong & np.uint32(mask)) != 0
            self.whole[r] += int(np.count_nonzero(touched >= min(2, len(self._chips[r]))))

    def lanes_of(self, region: int) -> list[int]:
        """The data lanes a region carries."""
        return [b for b in range(self.data_bits) if self.masks[region] >> b & 1]

    def words(self, region: int) -> int:
        """How many data words a region spans."""
        r = self.board.regions[region]
        return (r.end >> self.shift) - (r.start >> self.shift) + 1

    def cells_with(self, region: int, flag: int) -> int:
        """How many cells of a region were WRITTEN, READ or COMPARED (the kernel's flags)."""
        return int(np.count_nonzero(self.flags[self.cells.span(region)] & flag))

    def line(self, bit: int) -> str:
        """The bus's name of a word address bit."""
        return f"A{bit + self.shift}"

    def is_compared(self, region: int) -> bool:
        """Whether reads of a region can be compared at all (IO cannot)."""
        return self.board.regions[region].kind != "io" and self.board.regions[region].space != "io"


def mask_of(lanes: Iterable[int]) -> int:
    """Lane numbers as a bit mask."""
    return sum(1 << lane for lane in set(lanes))


def _width_lanes(data_bits: int) -> NDArray[np.uint32]:
    """uint32, 16 entries: ``Cycles.width`` (byte lanes in use) to a mask of data lanes."""
    full = (1 << data_bits) - 1
    lanes = [sum(0xFF << (8 * b) for b in range(4) if width >> b & 1) & full for width in range(16)]
    return np.array(lanes, np.uint32)


def _comparable(regions: Sequence[Region], masks: Sequence[int]) -> NDArray[np.bool_]:
    """Pairs of regions that a wrong select could mix up: same space, memory on both sides, lanes in common."""
    memory = np.array(["io" not in (r.kind, r.space) for r in regions], np.bool_)
    program = np.array([r.space == "program" for r in regions], np.bool_)  # memory is of two spaces
    lanes = np.array(masks, np.uint32)
    table: NDArray[np.bool_] = memory[:, None] & memory & (program[:, None] == program)
    table &= (lanes[:, None] & lanes) != 0
    np.fill_diagonal(table, val=False)
    return table
