"""The ninth bit: what a parity chip gives back against what it was given, and both against the parity of the byte.

A chip is judged by what it was given where the write was seen (the line that it is written through is clipped, the
ledger knows which write a read is held against); else by the parity of the byte that the ledger expects. Odd or even
is as the board file says, else as the writes (without them the reads) show it. On a bus of several bytes each may have
a bit of its own: only accesses that move its byte count, and a write of another byte leaves it as it was.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, NinthBit, lane_names
from busledger.decoder.bus import WRITE_KINDS, Cycles, Layout
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import skew_of
from busledger.decoder.checks.results import CheckFinding, ParityBit, ParityResult
from busledger.decoder.ledger import Compared, LineLevels, Verdict

__all__ = ["ParityCheck", "odd_ones"]

_MOST_CELLS = 1 << 20  # of a region whose ninth bits are remembered, 9 bytes each
# Doubled at once, and halved, the judged figures change no answer and no finding (as in checks/evidence.py).
_CLEAR = 0.9  # share of the bytes that must agree on odd or even
_FEW = 16  # bytes that say anything about it
_OTHER = -2  # the access moved another byte
_PLACES = 1000  # wrong addresses that are told apart


@dataclass
class _Tally:
    """``fits[s]``: bytes and ninth bits whose ones together are even (s = 0) or odd, at writes, and at reads of bytes
    whose writing was not seen; ``kept``, ``lost``: reads that gave what was written, or not; ``levels``: how often the
    line was low and high in ``lost``."""

    writes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(2, np.int64))
    reads: NDArray[np.int64] = field(default_factory=lambda: np.zeros(2, np.int64))
    write_first: list[int] = field(default_factory=lambda: [-1, -1])
    read_first: list[int] = field(default_factory=lambda: [-1, -1])
    kept: int = 0
    lost: int = 0
    lost_first: int = -1
    levels: NDArray[np.int64] = field(default_factory=lambda: np.zeros(2, np.int64))
    places: set[int] = field(default_factory=set)


class ParityCheck:
    """Every ninth bit whose line is clipped; ``feed`` every block, then ``finish``.

    Parameters
    ----------
    board : its ``ninth_bits`` are judged
    layout, tick_fs, grid_ticks : as the other checks have them
    data_bits : width of the data bus; an address is a byte's, a cell is a word of this many
    """

    def __init__(
        self, board: Board, layout: Layout, tick_fs: int, grid_ticks: float | None, data_bits: int = 8
    ) -> None:
        self._tick_s = tick_fs * 1e-15
        self._bits = tuple(one for one in board.ninth_bits if layout.wired(one.read))
        self._regions = [board.region_index(one.region) for one in self._bits]
        self._shift = max(data_bits // 8, 1).bit_length() - 1
        self._start = [board.regions[r].start >> self._shift for r in self._regions]
        lanes = [one.lanes or board.regions[r].lanes for one, r in zip(self._bits, self._regions, strict=True)]
        self._mask = [sum(1 << lane for lane in row) or 0xFF for row in lanes]
        self._bytes = [sum(1 << byte for byte in {lane // 8 for lane in row}) or 1 for row in lanes]
        self._lines = LineLevels(
            [line for one in self._bits for line in (one.read, one.written)], layout, skew_of(grid_ticks, tick_fs)
        )
        self._tallies = [_Tally() for _ in self._bits]
        sizes = [
            (board.regions[r].end >> self._shift) - (board.regions[r].start >> self._shift) + 1 for r in self._regions
        ]
        self._writer = [np.full(size if size <= _MOST_CELLS else 0, -1, np.int64) for size in sizes]
        self._given = [np.full(len(writer), -1, np.int8) for writer in self._writer]

    @property
    def lines(self) -> tuple[str, ...]:
        """The lines that it looks at; none, and there is nothing to check."""
        return self._lines.lines

    def feed(self, block: Capture, cycles: Cycles, compared: Compared) -> None:
        """One block of levels, its cycles with their regions, and the ledger's word on them."""
        levels = self._lines.feed(block, cycles)
        for k in range(len(self._bits)):
            rows = np.flatnonzero(cycles.region == self._regions[k])
            if len(rows):
                self._look(k, rows, levels, cycles, compared)

    def _look(
        self, k: int, rows: NDArray[np.intp], levels: dict[str, NDArray[np.int8]], cycles: Cycles, compared: Compared
    ) -> None:
        bit, tally, mask = self._bits[k], self._tallies[k], np.uint32(self._mask[k])
        kind, time = cycles.kind[rows], cycles.time[rows]
        cell = (cycles.address[rows].astype(np.int64) >> self._shift) - self._start[k]
        clean = cycles.address_unknown[rows] == 0
        moved = (cycles.width[rows] & np.uint8(self._bytes[k])) != 0
        writes = np.isin(kind, WRITE_KINDS) & clean
        judged = np.isin(compared.verdict[rows], (Verdict.AGREES, Verdict.MISMATCH)) & clean & moved
        given = levels[bit.written][rows] if bit.written in levels else np.full(len(rows), -1, np.int8)
        shown = levels[bit.read][rows]
        data, lost = cycles.data[rows] & mask, cycles.data_unknown[rows] & mask
        whole = writes & moved & (given >= 0) & (lost == 0)
        sense = (odd_ones(data) ^ given) & 1
        _count(sense, whole, time, tally.writes, tally.write_first)
        before = self._before(k, rows, cell, writes, np.where(moved, given, np.int8(_OTHER)), compared)
        seen = judged & (shown >= 0) & (before >= 0)
        wrong = np.flatnonzero(seen & (shown != before))
        tally.kept += int(seen.sum()) - len(wrong)
        self._lose(tally, wrong, cell, shown, time)
        expected, known = compared.expected[rows] & mask, compared.known[rows] & mask
        blind = judged & (shown >= 0) & (before < 0) & (known == mask)
        _count((odd_ones(expected) ^ shown) & 1, blind, time, tally.reads, tally.read_first)

    def _before(
        self,
        k: int,
        rows: NDArray[np.intp],
        cell: NDArray[np.int64],
        writes: NDArray[np.bool_],
        given: NDArray[np.int8],
        compared: Compared,
    ) -> NDArray[np.int8]:
        """int8 a row: the ninth bit that was written with the byte that the read is held against, -1 not known.

        ``given`` is -1 where the line was not seen, ``_OTHER`` where another byte was written: the bit stays.
        """
        writer, index = compared.writer[rows], compared.index[rows]
        known_writer, known_given = self._writer[k], self._given[k]
        found = np.full(len(rows), -1, np.int8)
        inside = (cell >= 0) & (cell < len(known_writer))
        old = np.flatnonzero(inside & (writer >= 0))
        same = old[known_writer[cell[old]] == writer[old]]
        found[same] = known_given[cell[same]]
        fresh = np.flatnonzero(writes)
        given = self._carried(k, cell, fresh, given)
        place = np.searchsorted(index[fresh], writer)
        here = np.flatnonzero((place < len(fresh)) & (writer >= 0))
        here = here[index[fresh[place[here]]] == writer[here]]
        found[here] = given[fresh[place[here]]]
        stored = fresh[inside[fresh]]
        known_writer[cell[stored]], known_given[cell[stored]] = index[stored], given[stored]
        return found

    def _carried(
        self, k: int, cell: NDArray[np.int64], fresh: NDArray[np.intp], given: NDArray[np.int8]
    ) -> NDArray[np.int8]:
        """``given`` with the bit of the last write of the cell that moved it where a write (``fresh``) did not."""
        if not (given[fresh] == _OTHER).any():
            return given
        order = fresh[np.argsort(cell[fresh], kind="stable")]
        moved = given[order] != _OTHER
        last = np.maximum.accumulate(np.where(moved, np.arange(len(order)), -1))
        same = (last >= 0) & (cell[order[last]] == cell[order])
        stored = self._given[k]
        inside = (cell[order] >= 0) & (cell[order] < len(stored))
        old = np.full(len(order), -1, np.int8)
        old[inside] = stored[cell[order[inside]]]
        carried = given.copy()
        carried[order] = np.where(same, given[order[last]], old)
        return carried

    def _lose(
        self,
        tally: _Tally,
        wrong: NDArray[np.intp],
        cell: NDArray[np.int64],
        shown: NDArray[np.int8],
        time: NDArray[np.int64],
    ) -> None:
        if not len(wrong):
            return
        tally.lost += len(wrong)
        tally.lost_first = int(time[wrong[0]]) if tally.lost_first < 0 else tally.lost_first
        tally.levels += np.bincount(shown[wrong], minlength=2)
        if len(tally.places) < _PLACES:
            tally.places.update(np.unique(cell[wrong])[:_PLACES].tolist())

    def finish(self) -> ParityResult:
        """What was found."""
        findings: list[CheckFinding] = []
        bits = []
        for bit, tally in zip(self._bits, self._tallies, strict=True):
            odd = _sense(bit, tally)
            findings += self._findings(bit, tally, odd)
            bits.append(
                ParityBit(
                    component=bit.designator,
                    region=bit.region,
                    lanes=tuple(f"D{lane}" for lane in bit.lanes),
                    lines=tuple(dict.fromkeys((bit.read, bit.written))),
                    parity=None if odd is None else "odd" if odd else "even",
                    writes=int(tally.writes.sum()),
                    reads=tally.kept + tally.lost + int(tally.reads.sum()),
                )
            )
        return ParityResult(bits=tuple(bits), findings=tuple(findings))

    def _findings(self, bit: NinthBit, tally: _Tally, odd: bool | None) -> list[CheckFinding]:
        of_what = f"{lane_names(bit.lanes)} of {bit.region}" if bit.lanes else bit.region
        name, found = f"{bit.designator}, the ninth bit of {of_what},", []
        if tally.lost:
            ways = "; low each time" if not tally.levels[1] else "; high each time" if not tally.levels[0] else ""
            where = f"at {len(tally.places)} address{'es' if len(tally.places) > 1 else ''}"
            seen = tally.kept + tally.lost
            text = f"{name} gave another bit than was written in {tally.lost} of {seen} reads, {where}{ways}"
            found.append(self._finding("parity-kept", bit, text, tally.lost, seen, tally.lost_first))
        if odd is None:
            counts = tally.writes if tally.writes.sum() else tally.reads
            if counts.sum() >= _FEW:
                text = f"{name} follows neither odd nor even parity: {int(counts[1])} odd of {int(counts.sum())} bytes"
                found.append(self._finding("parity-none", bit, text, int(counts.min()), int(counts.sum()), -1))
            return found
        word, off = "odd" if odd else "even", 0 if odd else 1
        bad, seen = int(tally.writes[off]), int(tally.writes.sum())
        if bad:
            text = f"{bit.written}, the ninth bit for {of_what}, was not the {word} parity of the byte in {bad} of "
            text += f"{seen} writes: the parity generator, its line or the clip"
            found.append(self._finding("parity-given", bit, text, bad, seen, tally.write_first[off], part=False))
        bad, seen = int(tally.reads[off]), int(tally.reads.sum())
        if bad:
            text = f"{name} was not the {word} parity of the byte in {bad} of {seen} reads whose ninth bit was not "
            text += "seen written"
            found.append(self._finding("parity-read", bit, text, bad, seen, tally.read_first[off]))
        return found

    def _finding(
        self, code: str, bit: NinthBit, text: str, count: int, of: int, first: int, *, part: bool = True
    ) -> CheckFinding:
        return CheckFinding(
            code=code,
            weight="fault",
            text=text,
            component=bit.designator if part else None,
            lines=tuple(dict.fromkeys((bit.read, bit.written))) if part else (bit.written,),
            region=bit.region,
            lanes=tuple(f"D{lane}" for lane in bit.lanes),
            count=count,
            of=of,
            first_time_s=first * self._tick_s if first >= 0 else None,
        )


def odd_ones(data: NDArray[np.uint32]) -> NDArray[np.int8]:
    """int8, 1 where the number of ones is odd."""
    folded = data.copy()
    for shift in (16, 8, 4, 2, 1):
        folded ^= folded >> np.uint32(shift)
    ones: NDArray[np.int8] = (folded & np.uint32(1)).astype(np.int8)
    return ones


def _count(
    sense: NDArray[np.int8],
    rows: NDArray[np.bool_],
    time: NDArray[np.int64],
    counts: NDArray[np.int64],
    first: list[int],
) -> None:
    """Add the rows of each sense, and keep when each was first seen."""
    for which in (0, 1):
        places = np.flatnonzero(rows & (sense == which))
        counts[which] += len(places)
        if len(places) and first[which] < 0:
            first[which] = int(time[places[0]])


def _sense(bit: NinthBit, tally: _Tally) -> bool | None:
    """Odd or even: stated, else as nearly all writes, without them nearly all reads, show it."""
    if bit.odd is not None:
        return bit.odd
    counts = tally.writes if tally.writes.sum() >= _FEW else tally.reads
    total = int(counts.sum())
    if total < _FEW or int(counts.max()) < _CLEAR * total:
        return None
    return bool(counts[1] > counts[0])
