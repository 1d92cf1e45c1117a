"""The accesses of a capture, as often as the diagnosis needs them, with what is already explained taken out."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.evidence import Evidence
from busledger.decoder.diagnosis.replay import memory_kernel, rows_kernel
from busledger.decoder.diagnosis.replay.arrays import PlainRows, PreparedRows, RowState
from busledger.decoder.diagnosis.replay.in_doubt import spread
from busledger.decoder.diagnosis.replay.parts_view import CardView
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.rows import Overlay, Rows, joined
from busledger.decoder.diagnosis.replay.survey import Survey, survey_of
from busledger.decoder.diagnosis.replay.theory import Maps, PathFault, maps_of
from busledger.decoder.ledger import Compared, Verdict

__all__ = ["Overlay", "Rows", "Study", "Survey"]

_ROWS_IN_MEMORY = 3_000_000  # about 60 bytes a row
_IS_WRITE = np.isin(np.arange(len(Kind)), WRITE_KINDS)
_INSIDE = ("forced", "joined")  # behaviours that lead to cells of the fault's own region only
_MAPPED_CELLS = 20_000_000  # 4 to 16 bytes each


class Study:
    """Gives the rows of a capture again and again, prepared once where memory allows."""

    def __init__(self, evidence: Evidence) -> None:
        facts = evidence.profile_facts
        self.evidence = evidence
        self.cells = CellSpace(evidence.board.regions, facts.address_bits, facts.data_bits)
        self.card = CardView.of(evidence.board, self.cells, facts.data_bits, facts.unwired)
        self.data_bits = facts.data_bits
        self._fixed = np.array([*(not r.writable for r in self.card.regions), False], np.bool_)
        spans = [sum(1 << bit for bit in self.cells.chip_bits(r.index)) for r in self.card.regions]
        self._inside = np.array([*spans, 0], np.uint32)
        self._span = (0, 0)  # first tick and length, known after the first pass
        self._maps: dict[object, Maps] = {}
        self._elected: tuple[NDArray[np.uint32], NDArray[np.uint32]] | None = None
        self._first_reads: NDArray[np.int64] | None = None
        self._images: tuple[NDArray[np.uint32], NDArray[np.uint32]] | None = None
        self._settling: CardView | None = None
        self._fresh: NDArray[np.uint32] | None = None
        self.bus_settles = False  # whether the bus, left alone, goes to other levels; known after the first pass

    @property
    def card_as_seen(self) -> CardView:
        """The card, with what the rows have shown of the bus when nobody drives it."""
        if self.bus_settles and self._settling is None:
            self._settling = replace(self.card, bus_settles=True)
        return self.card if self._settling is None else self._settling

    def blocks(self) -> Iterator[Rows]:
        """All rows in time order, in blocks."""
        yield from self._prepared()

    def rows(self) -> Rows:
        """All rows as one; of a capture too long to hold, the stretch of blocks with the most wrong reads."""
        held: deque[tuple[Rows, int]] = deque()
        size = wrong = 0
        best: tuple[int, list[Rows]] = (-1, [])
        for rows in self._prepared():
            bad = int(np.count_nonzero(rows.wrong))
            held.append((rows, bad))
            size, wrong = size + len(rows), wrong + bad
            while size > _ROWS_IN_MEMORY and len(held) > 1:
                gone, less = held.popleft()
                size, wrong = size - len(gone), wrong - less
            if wrong >= best[0] and (wrong > best[0] or len(held) > len(best[1])):
                best = (wrong, [rows for rows, _ in held])
        return joined(best[1]) if best[1] else self._bare(Cycles.empty(0), Compared.empty(0))

    def _logged(self) -> Iterator[tuple[Cycles, Compared, NDArray[np.bool_]]]:
        """The blocks of the log, what the clips leave in doubt of an address told as ``spread`` does."""
        for cycles, compared in self.evidence.log.blocks():
            yield spread(cycles, compared, _IS_WRITE[cycles.kind], self._inside)

    def _prepared(self) -> Iterator[Rows]:
        n = max(1, self.cells.total)
        elected, settled = self.election()
        cards = max(self.card.card_of, default=0) + 1
        state = RowState(*(np.zeros(size, np.uint32) for size in (n, n, n, cards, cards)))
        card_of = np.array([*self.card.card_of, 0], np.int16)
        before: Rows | None = None
        for cycles, compared, in_doubt in self._logged():
            rows = self._bare(cycles, compared)
            card = card_of[rows.region]
            out = PreparedRows(
                rows.lanes, rows.sure, rows.expected, rows.compared, rows.wrong, rows.event, rows.rest, rows.rest_read
            )  # fmt: skip
            plain = self._plain(rows.cell, rows.is_write, cycles, compared, in_doubt)
            rows_kernel.prepare(plain, card, elected, settled, state, out)
            rows.rest_bus = _carried_before(before, rows)
            self.bus_settles = self.bus_settles or bool((rows.rest_bus != rows.kept).any())
            before = rows if len(rows) else before
            yield rows

    def _plain(
        self, cell: NDArray[np.int32], is_write: NDArray[np.bool_], cycles: Cycles, compared: Compared,
        in_doubt: NDArray[np.bool_],
    ) -> PlainRows:  # fmt: skip
        return PlainRows(
            cell, self._fixed[cycles.region], is_write, cycles.data, cycles.data_unknown, cycles.width,
            compared.verdict, compared.expected, compared.known, in_doubt,
        )  # fmt: skip

    def maps(self, fault: PathFault) -> Maps:
        """Where accesses go under a fault; remembered while that does not take much memory."""
        key = (fault.op, fault.numbers, fault.regions)
        held = self._maps.get(key)
        if held is None:
            held = maps_of(fault, self.cells)
            if not (fault.op in _INSIDE and self.card.regions[fault.numbers[0]].writable):
                held = self._without_rom_writes(held)
            if len(self._maps) * self.cells.total < _MAPPED_CELLS:
                self._maps[key] = held
        return held

    def _without_rom_writes(self, maps: Maps) -> Maps:
        """A write that is led to a ROM goes nowhere."""
        if self._fixed[:-1].any():
            maps = replace(maps, w1=self._kept_from_rom(maps.w1), w2=self._kept_from_rom(maps.w2))
        return maps

    @cached_property
    def _rom(self) -> NDArray[np.bool_]:
        """bool a cell, and one more for "nowhere"."""
        rom = np.zeros(self.cells.total + 1, np.bool_)
        for view in self.card.regions:
            rom[self.cells.span(view.index)] = not view.writable
        return rom

    def _kept_from_rom(self, there: NDArray[np.int32]) -> NDArray[np.int32]:
        if there is self.cells.identity or there is self.cells.nowhere:
            return there
        led = self._rom[there] & (there != self.cells.identity)
        return np.where(led, np.int32(-1), there) if led.any() else there

    def election(self) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
        """(levels, lanes) that most reads agree on, of cells that were read before they were ever written."""
        if self._elected is None:
            n = max(1, self.cells.total)
            votes = np.zeros((n, self.data_bits, 2), np.int32)
            written, value, settled = (np.zeros(n, np.uint32) for _ in range(3))
            for cycles, compared, in_doubt in self._logged():
                if self._span[1] == 0 and len(cycles):
                    self._span = (int(cycles.time[0]), 1)
                if len(cycles):
                    self._span = (self._span[0], max(1, int(cycles.time[-1]) + 1 - self._span[0]))
                cell = self.cells.locate(cycles.region, cycles.address)
                plain = self._plain(cell, _IS_WRITE[cycles.kind], cycles, compared, in_doubt)
                rows_kernel.count_unwritten(plain, written, value, settled, votes)
            rows_kernel.elect(votes, value, settled)
            self._elected = (value, settled)
        return self._elected

    def first_reads(self) -> NDArray[np.int64]:
        """Indexes of the cycles that were the first access to their cell, and read it; ascending."""
        if self._first_reads is None:
            met = np.zeros(max(1, self.cells.total), np.bool_)
            found = []
            for cycles, compared, _ in self._logged():
                rows = self._bare(cycles, compared)
                cells, at = np.unique(rows.cell, return_index=True)
                new = at[~met[cells]]
                met[cells] = True
                new = new[~rows.is_write[new] & (compared.verdict[new] == Verdict.UNKNOWN)]
                found.append(rows.index[np.sort(new)])
            self._first_reads = np.concatenate(found) if found else np.zeros(0, np.int64)
        return self._first_reads

    def images(self) -> tuple[NDArray[np.uint32], NDArray[np.uint32]]:
        """(levels, lanes known) of the cells of ROMs whose image is given: no fault of the card can change them."""
        if self._images is None:
            elected, settled = self.election()
            value, known = np.zeros_like(elected), np.zeros_like(settled)
            for view, region in zip(self.card.regions, self.evidence.board.regions, strict=True):
                if view.writable or region.image is None:
                    continue
                span = self.cells.span(view.index)
                value[span], known[span] = elected[span], settled[span]
                if self.cells.shift == 0:
                    at = self.cells.locate(
                        np.full(len(region.image), view.index, np.int16),
                        np.arange(region.start, region.start + len(region.image), dtype=np.uint32),
                    )
                    value[at], known[at] = np.frombuffer(region.image, np.uint8), np.uint32(view.mask)
            self._images = (value, known)
        return self._images

    def fresh_words(self) -> NDArray[np.uint32]:
        """What the replay believes of each cell before the first access: uint32[cells, WORDS] of memory_kernel."""
        if self._fresh is None:
            elected, settled = self.election()
            fixed, fixed_known = self.images()
            words = np.zeros((max(1, self.cells.total), memory_kernel.WORDS), np.uint32)
            words[:, memory_kernel.HELD] = elected | (fixed & ~settled)
            words[:, memory_kernel.HELD_KNOWN] = settled | fixed_known
            words[:, memory_kernel.HARD] = fixed
            words[:, memory_kernel.HARD_KNOWN] = fixed_known
            self._fresh = words
        return self._fresh

    def _bare(self, cycles: Cycles, compared: Compared) -> Rows:
        n = len(cycles)

        def blank() -> NDArray[np.uint32]:
            return np.zeros(n, np.uint32)

        cell = self.cells.locate(cycles.region, cycles.address)
        return Rows(
            index=compared.index,
            time=cycles.time,
            window=self._windows(cycles.time),
            cell=cell,
            asked=cell,
            region=cycles.region,
            is_write=_IS_WRITE[cycles.kind],
            data=cycles.data,
            lanes=blank(),
            sure=blank(),
            kept=cycles.kept,
            rest=blank(),
            rest_read=blank(),
            rest_bus=cycles.kept,
            expected=blank(),
            compared=blank(),
            wrong=blank(),
            event=np.zeros(n, np.uint8),
            selected=compared.selected,
            selects_seen=compared.selects_seen,
        )

    def _windows(self, time: NDArray[np.int64]) -> NDArray[np.uint16]:
        """In which of WINDOWS equal spans of the capture each time lies, rising; 0 while the capture's is not known."""
        start, length = self._span
        begins = start - (-np.arange(1, WINDOWS, dtype=np.int64) * length // WINDOWS)
        count = np.diff(np.searchsorted(time, begins, side="left"), prepend=0, append=len(time))
        return np.repeat(np.arange(WINDOWS, dtype=np.uint16), count)

    def survey(self, blocks: Iterable[Rows]) -> Survey:
        """Count what there is to explain."""
        return survey_of(blocks, len(self.card.regions))


def _carried_before(before: Rows | None, rows: Rows) -> NDArray[np.uint32]:
    """The levels of the cycle before each row; where that is not among the rows, what the bus kept."""
    if not len(rows):
        return rows.kept
    data, sure = np.empty_like(rows.kept), np.zeros_like(rows.kept)
    data[1:] = rows.data[:-1]
    np.multiply(rows.sure[:-1], np.diff(rows.index) == 1, out=sure[1:])
    if before is not None and int(before.index[-1]) + 1 == int(rows.index[0]):
        data[0], sure[0] = before.data[-1], before.sure[-1]
    data ^= rows.kept
    data &= sure
    found: NDArray[np.uint32] = data ^ rows.kept
    return found
