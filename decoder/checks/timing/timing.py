"""``timing``: set-up, hold, access and widths as measured, against a grade's published limits.

What each measure is (ticks of the capture; the strobe is the limit's own):

cycle              mean of 64 clock periods, rising edge to rising edge
strobe-width       begin to end of the strobe
data-setup         reads: last change of the data to the strobe's end
data-hold          reads: the strobe's end to the next change of the data
write-data-setup   writes: last change of the data to the strobe's begin
write-data-to-end  writes: last change of the data to the strobe's end
write-data-hold    writes: the strobe's end to the next change of the data
write-data-delay   writes: the strobe's begin to the last change of the data
address-setup      last change of the address to the strobe's begin
address-hold       the strobe's end to the next change of the address
address-delay      the clock edge before it to the change of the address
access             reads: last change of the address to the last change of the data
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Board, Chip
from busledger.decoder.bus import Cycles, Flag, Layout, Profile, line_names
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import READS, WRITES, Setting, pins, relevant_mask, rule_strobes, ticks
from busledger.decoder.checks.results import TimingResult
from busledger.decoder.checks.timing import timing_kernel as kernel
from busledger.decoder.checks.timing.arrays import ChipLines
from busledger.decoder.checks.timing.clock_periods import ClockPeriods
from busledger.decoder.checks.timing.timing_tally import TimeTally
from busledger.decoder.checks.timing.timing_verdict import ChipAccess, timing_result
from busledger.decoder.checks.windows import CycleJoin, Joined

__all__ = ["TimingCheck"]

MOST_CHIPS = 16
"""Of a board, whose access is measured one by one: what fits on two screens."""
_NOT_MEASURED = Flag.AFTER_GAP | Flag.UNKNOWN


class TimingCheck:
    """Feed every block with its cycles, then ``finish`` with the grade to hold the figures against."""

    def __init__(
        self, board: Board | None, profile: Profile, layout: Layout, tick_fs: int, grid_ticks: float | None
    ) -> None:
        self._profile = profile
        self._setting = setting = Setting.of(layout, tick_fs, grid_ticks)
        self._join = CycleJoin(rule_strobes(profile, setting))
        self._width = max(1, ticks(1.0, tick_fs))
        self._false = setting.false_ticks
        wanted = {(limit.measure, limit.strobe) for limit in profile.limits() if limit.measure}
        self._tallies: dict[tuple[str, str | None], TimeTally] = {
            key: TimeTally(self._width) for key in sorted(wanted, key=str)
        }
        self._of_strobe = {
            s.name: np.array([rule.strobe == s.name for rule in profile.rules], np.bool_) for s in profile.strobes
        }
        self._address, self._data = _rule_masks(profile, setting)
        clock = profile.clock.line
        self._clock = pins(setting.names, [clock]) if clock in setting.clipped else None
        self._periods = None if self._clock is None else ClockPeriods(self._clock, setting.false_ticks)
        self._edges = np.zeros(0, np.int64)
        self._told = 0
        self._chips = _Chips(board, setting, self._width)

    def feed(self, block: Capture, cycles: Cycles) -> None:
        """One block of levels and the cycles that the extractor gave for it."""
        self.take(block, self._join.feed(block, cycles))

    def take(self, block: Capture, joined: Sequence[Joined]) -> None:
        """As ``feed``, with the windows that a join shared by several checks has made of the block's cycles."""
        if self._periods is not None and len(block):
            self._cycle(*self._periods.feed(block))
        for one in joined:
            self._measure(one)

    def finish(self, cycles: Cycles | None = None, grade: str | None = None) -> TimingResult:
        """The figures of ``grade``; of the slowest grade that the clock fits where none is named.

        Raises
        ------
        ProfileError
            The profile has no such grade.
        """
        for one in self._join.finish(cycles):
            self._measure(one)
        if self._periods is not None:
            self._cycle(*self._periods.finish())
        return timing_result(self._profile, self._tallies, self._chips.accesses(), self._setting, grade)

    def _cycle(self, spans: NDArray[np.float64], ends: NDArray[np.int64]) -> None:
        for (measure, _), tally in self._tallies.items():
            if measure == "cycle":
                tally.add(spans, np.full(len(spans), -1), ends)

    def _measure(self, joined: Joined) -> None:
        cycles, chips = joined.cycles, self._chips
        moments = np.empty((len(cycles), kernel.M_CHIPS + chips.most), np.int64)
        kernel.find_moments(
            joined.windows, cycles.rule, cycles.region, self._setting.skew_ticks, self._false,
            self._address, self._data, chips.lines, moments,
        )  # fmt: skip
        index = np.arange(self._told, self._told + len(cycles), dtype=np.int64)
        self._told += len(cycles)
        sound = (cycles.flags & int(_NOT_MEASURED)) == 0
        measures = _Measures(joined, moments, self._clock_edges(joined))
        mine = {strobe: sound & of_rule[cycles.rule] for strobe, of_rule in self._of_strobe.items()}
        for (measure, strobe), tally in self._tallies.items():
            if measure == "cycle" or measure not in measures.known:
                continue
            mask = sound if strobe is None else mine[strobe]
            values, valid, moot = measures.known[measure]()
            rows_of = mask & valid
            tally.add(values[rows_of], index[rows_of], cycles.time[rows_of])
            tally.bounded += int(np.count_nonzero(mask & moot))
        chips.add(joined, moments, sound, index)

    def _clock_edges(self, joined: Joined) -> NDArray[np.int64]:
        """Times of the clock's edges in the joined rows and of the last one up to them, ticks."""
        if self._clock is None:
            return np.zeros(0, np.int64)
        rows = joined.rows
        rises, edges = np.empty(len(rows.time), np.int64), np.empty(len(rows.time), np.int64)
        _, count, _ = kernel.line_edges(
            rows.time, rows.levels, self._clock.word[0], self._clock.bit[0], -1, rises, edges
        )
        # Rows overlap from call to call, so the edge that the first row came with was seen before.
        earlier = self._edges[: int(np.searchsorted(self._edges, rows.time[0], side="right"))]
        self._edges = np.concatenate([earlier[-1:], edges[:count]])
        return self._edges


_Measured = tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]


class _Measures:
    """Each measure of the joined cycles: (values in ticks, where there is one, where nothing moved)."""

    def __init__(self, joined: Joined, moments: NDArray[np.int64], clock: NDArray[np.int64]) -> None:
        time = joined.rows.time
        self._moments, self._clock = moments, clock
        self._start, self._stop = time[joined.begin], time[joined.end]
        self._strobe = joined.begin < joined.end
        self._reads, self._writes = READS[joined.cycles.kind], WRITES[joined.cycles.kind]
        every = np.ones(len(joined), np.bool_)
        m = kernel
        self.known: dict[str, Callable[[], _Measured]] = {
            "strobe-width": lambda: (self._stop - self._start, self._strobe, ~every),
            "data-setup": lambda: self._to(m.M_DATA, self._stop, self._reads),
            "data-hold": lambda: self._from(m.M_DATA_AFTER, self._stop, self._reads),
            "write-data-setup": lambda: self._to(m.M_DATA, self._start, self._writes),
            "write-data-to-end": lambda: self._to(m.M_DATA, self._stop, self._writes),
            "write-data-hold": lambda: self._from(m.M_DATA_AFTER, self._stop, self._writes),
            "write-data-delay": lambda: self._late(m.M_DATA, self._start, self._writes),
            "address-setup": lambda: self._to(m.M_ADDRESS, self._start, every),
            "address-hold": lambda: self._from(m.M_ADDRESS_AFTER, self._stop, every),
            "address-delay": self._address_delay,
            "access": self._access,
        }

    def _to(self, moment: int, edge: NDArray[np.int64], kinds: NDArray[np.bool_]) -> _Measured:
        there, never = _known(self._moments[:, moment])
        return edge - self._moments[:, moment], there & kinds & self._strobe, never & kinds

    def _from(self, moment: int, edge: NDArray[np.int64], kinds: NDArray[np.bool_]) -> _Measured:
        there, never = _known(self._moments[:, moment])
        return self._moments[:, moment] - edge, there & kinds & self._strobe, never & kinds

    def _late(self, moment: int, edge: NDArray[np.int64], kinds: NDArray[np.bool_]) -> _Measured:
        values, valid, moot = self._from(moment, edge, kinds)
        # Data that stood before the strobe was not late at all.
        return values, valid & (values > 0), moot | (valid & (values <= 0))

    def _address_delay(self) -> _Measured:
        moved = self._moments[:, kernel.M_ADDRESS]
        there, never = _known(moved)
        if not len(self._clock):
            return moved, np.zeros_like(there), np.zeros_like(there)
        place = np.searchsorted(self._clock, moved, side="right") - 1
        return moved - self._clock[np.maximum(place, 0)], there & (place >= 0), never

    def _access(self) -> _Measured:
        address, data = self._moments[:, kernel.M_ADDRESS], self._moments[:, kernel.M_DATA]
        (addressed, still), (answered, silent) = _known(address), _known(data)
        there = addressed & answered & self._reads
        return data - address, there & (data > address), self._reads & (still | silent)


def _known(moments: NDArray[np.int64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(where a moment is known, where nothing changed at all); neither where the sampling cannot tell."""
    return moments > kernel.UNSURE, moments == kernel.ABSENT


def _rule_masks(profile: Profile, setting: Setting) -> tuple[NDArray[np.uint64], NDArray[np.uint64]]:
    """uint64 (rules, words) each: the clipped address and data lines of every rule.

    Lines that carry the address for a moment only, or are strobes themselves, have no set-up or hold of an address.
    """
    masks = []
    for sources, key in ((profile.addresses, "address"), (profile.datas, "data")):
        by_name = {
            s.name: [x for piece in s.pieces if key == "data" or piece.steady is not False
                     for x in line_names(piece.lines)]
            for s in sources
        }  # fmt: skip
        made = np.zeros((len(profile.rules), setting.words), np.uint64)
        for r, rule in enumerate(profile.rules):
            named = getattr(rule, key)
            lines = by_name[named] if named in by_name else next(iter(by_name.values()), [])
            made[r] = relevant_mask(setting.words, pins(setting.names, [x for x in lines if x in setting.clipped]))
        masks.append(made)
    return masks[0], masks[1]


class _Chips:
    """Access times of the board's memory chips, from the later of address and select to the chip's last data change."""

    def __init__(self, board: Board | None, setting: Setting, width: int) -> None:
        regions = board.regions if board is not None else ()
        self._regions = regions
        self.most = max(1, *(min(len(r.chips), MOST_CHIPS) for r in regions)) if regions else 1
        count = len(regions) + 1
        self.mask = np.zeros((count, self.most, setting.words), np.uint64)
        self.select_word = np.full(count, -1, np.int64)
        self.select_bit = np.zeros(count, np.uint64)
        self.select_active = np.zeros(count, np.int64)
        self._tallies: dict[tuple[int, int], TimeTally] = {}
        self._gated: dict[tuple[int, int], TimeTally] = {}
        for g, region in enumerate(regions):
            for c, chip in enumerate(region.chips[:MOST_CHIPS]):
                lanes = [f"D{n}" for n in chip.lanes if f"D{n}" in setting.clipped]
                self.mask[g, c] = relevant_mask(setting.words, pins(setting.names, lanes))
                self._tallies[g, c] = TimeTally(width)
                self._gated[g, c] = TimeTally(width)
            if region.select is not None and region.select in setting.clipped:
                word, bit = divmod(setting.names.index(region.select), 64)
                self.select_word[g], self.select_bit[g] = word, bit
        count_of = self.mask.any(axis=2).sum(axis=1).astype(np.int64)
        self.lines = ChipLines(self.select_word, self.select_bit, self.select_active, self.mask, count_of)

    def add(
        self, joined: Joined, moments: NDArray[np.int64], sound: NDArray[np.bool_], index: NDArray[np.int64]
    ) -> None:
        """Reads of the joined cycles."""
        cycles = joined.cycles
        reads = sound & READS[cycles.kind] & _known(moments[:, kernel.M_ADDRESS])[0]
        start = np.maximum(moments[:, kernel.M_ADDRESS], moments[:, kernel.M_SELECT])
        # The card may let the chip drive only inside the strobe.
        late_start = np.maximum(start, joined.rows.time[joined.begin])
        by_region = {g: np.flatnonzero(reads & (cycles.region == g)) for g in range(len(self._regions))}
        for (g, c), tally in self._tallies.items():
            mine = by_region[g]
            delay = moments[mine, kernel.M_CHIPS + c] - start[mine]
            there = delay > 0
            mine = mine[there]
            tally.add(delay[there], index[mine], cycles.time[mine])
            gated = moments[mine, kernel.M_CHIPS + c] - late_start[mine]
            self._gated[g, c].add(gated, index[mine], cycles.time[mine])

    def accesses(self) -> list[ChipAccess]:
        """One entry a chip that was read."""
        found = []
        for (g, c), tally in self._tallies.items():
            region = self._regions[g]
            chip: Chip = region.chips[c]
            if tally.count:
                found.append(ChipAccess(region.name, chip, bool(self.select_word[g] >= 0), tally, self._gated[g, c]))
        return found
