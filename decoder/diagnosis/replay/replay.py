"""Running the replay kernels: many lane faults in one pass, one path fault at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import lanes_kernel, memory_kernel, replay_kernel
from busledger.decoder.diagnosis.replay.arrays import (
    Acts,
    Bends,
    BentCounts,
    BentRows,
    CellState,
    CellTables,
    Counts,
    FewCells,
    Given,
    ReplayRows,
)
from busledger.decoder.diagnosis.replay.joined_data import as_joined
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import BENDS, LaneFault, Maps, PathFault
from busledger.decoder.diagnosis.replay.weighing import LN2, Tally

__all__ = [
    "ANY_TIME",
    "Effect",
    "PathRun",
    "Tables",
    "acts_of",
    "as_path",
    "both_ways",
    "effects_of",
    "no_counts",
    "nothing_given",
    "run_lanes",
    "screened",
    "seen_by",
    "spans_of",
]

Cells = NDArray[np.int64]


Where = slice | NDArray[np.bool_]

_FLOATS = {
    lanes_kernel.KEPT_BY_CARD: memory_kernel.KEPT_BY_CARD,
    lanes_kernel.KEPT_FROM_BUS: memory_kernel.KEPT_FROM_BUS,
}
_FIRST = 8  # explained cycles remembered


@dataclass(frozen=True)
class Effect:
    """What one replay found under one theory.

    ``hash_``: equal for two faults that would differ from a healthy card in the
    same bits of the same reads; ``first``: indexes of the first explained cycles;
    ``chances``: int64[WINDOWS, 2], hits and misses by window. ``log_own``: where the
    replay weighed itself, its log marginal likelihood; ``number`` what it found
    (a retention time in ticks, an aggressor's cell), ``always`` whether it acts every time. ``log_contents``: log
    probability of what reads found in cells whose contents nobody knows: under the hard theory every read tells them,
    under the other what is wrong would; None = not asked, a half for each bit.
    ``hours``: of a fault in bursts, in which windows it was taken to be at work (see PathRun). ``apart``: of a lane
    of several regions, the chances of each. ``log_led``: of one that leads accesses elsewhere, its log likelihood by
    all stories of the cells, without what it excuses, at about the ``rate`` of each window (see ``led``);
    ``log_excused``: what of it is that it acted at those reads, ``log_idle``: what it would be that it did not.
    """

    tally: Tally
    hash_: int
    first: tuple[int, ...]
    chances: NDArray[np.int64]
    log_own: float | None = None
    number: float = 0.0
    always: bool = True
    log_contents: float | None = None
    hours: NDArray[np.uint8] | None = None
    apart: tuple[NDArray[np.int64], ...] = ()
    log_led: float | None = None
    rate: NDArray[np.float64] | None = None
    log_excused: float = 0.0
    log_idle: float = 0.0

    @property
    def log_unknown(self) -> float:
        """Log probability of what was read where nobody knew the contents."""
        return -self.tally.unsure_bits * LN2 if self.log_contents is None else self.log_contents

    def plus(self, other: Effect) -> Effect:
        """Both together (effects on disjoint rows)."""
        first = tuple(sorted((*self.first, *other.first))[:_FIRST])
        hash_ = (self.hash_ + other.hash_) % (1 << 64)
        return Effect(self.tally.plus(other.tally), hash_, first, self.chances + other.chances)


NOTHING = Effect(Tally(), 0, (), np.zeros((replay_kernel.WINDOWS, 2), np.int64))


def run_lanes(faults: Iterable[LaneFault], regions: int, blocks: Iterable[Rows]) -> dict[LaneFault, Effect]:
    """All lane faults through all rows; a fault of several regions is the sum of its regions."""
    wanted = list(dict.fromkeys(faults))
    pieces = sorted({(r, f.does, f.mask, f.cell) for f in wanted for r in f.regions})
    owner = np.array([piece[0] for piece in pieces], np.int64)  # ascending
    begin, end = (np.searchsorted(owner, np.arange(regions), side=side) for side in ("left", "right"))
    does = np.array([p[1] for p in pieces], np.int64)
    mask = np.array([p[2] for p in pieces], np.uint32)
    only = np.array([p[3] for p in pieces], np.int32)
    tally = np.zeros((len(pieces), replay_kernel.TALLY), np.int64)
    chances = np.zeros((len(pieces), replay_kernel.WINDOWS, 2), np.int64)
    hashes = np.zeros(len(pieces), np.uint64)
    first = np.zeros((len(pieces), _FIRST + 1), np.int64)
    if pieces:
        for rows in blocks:
            block = BentRows(
                rows.cell, rows.region, rows.is_write, rows.kept, rows.rest, rows.expected, rows.compared, rows.data,
                rows.wrong, rows.index, rows.window,
            )  # fmt: skip
            lanes_kernel.lanes(block, Bends(begin, end, does, mask, only), BentCounts(tally, chances, hashes, first))
    place = {piece: i for i, piece in enumerate(pieces)}
    effects = {}
    for fault in wanted:
        if len(fault.regions) == 1:
            i = place[(fault.regions[0], fault.does, fault.mask, fault.cell)]
            seen = first[i, 1 : 1 + first[i, 0]].tolist()  # ascending
            effects[fault] = Effect(Tally(*tally[i].tolist()), int(hashes[i]), tuple(seen), chances[i])
            continue
        at = [place[(r, fault.does, fault.mask, fault.cell)] for r in fault.regions]
        seen = sorted(cycle for i in at for cycle in first[i, 1 : 1 + first[i, 0]].tolist())
        effects[fault] = Effect(
            Tally(*tally[at].sum(axis=0).tolist()), int(hashes[at].sum(dtype=np.uint64)), tuple(seen[:_FIRST]),
            chances[at].sum(axis=0), apart=tuple(chances[i] for i in at),
        )  # fmt: skip
    return effects


def as_path(fault: LaneFault, acts: int, stores: int = memory_kernel.STORES_DATA) -> PathFault:
    """A lane fault as the path kernel plays it, where data bent on the way in stays in the cells.

    ``stores``: of a floating lane, what the cells take; STORES_DATA = nobody knows.
    """
    floats = _FLOATS.get(fault.does, memory_kernel.KEEPS)
    bends = BENDS[fault.does]
    return PathFault(
        "stays", (), fault.mask, fault.regions, stores, floats, bends=bends, bad_lanes=fault.mask, acts=acts
    )


@lru_cache(maxsize=1 << 14)  # asked again for every way of failing that is weighed
def both_ways(fault: LaneFault) -> tuple[PathFault, ...]:
    """How a lane fault that comes and goes is replayed where writes pass through it too.

    What a chip stores from a lane that floats: a high level (an open TTL input
    reads high, common practice), what the card's lines or the bus last carried, or anything.
    """
    if not fault.writes or fault.cell >= 0:
        return ()
    both, writes = memory_kernel.ON_READS | memory_kernel.ON_WRITES, memory_kernel.ON_WRITES
    if BENDS[fault.does] != memory_kernel.BENDS_FLOAT:
        return tuple(as_path(fault, acts) for acts in (both, writes))
    known = (memory_kernel.STORES_HIGH, memory_kernel.STORES_CARD, memory_kernel.STORES_BUS)
    return (as_path(fault, both), *(as_path(fault, acts, stores) for acts in (both, writes) for stores in known))


class Tables:
    """Maps of path faults and the state of all cells; the last maps are kept, as neighbours in a list share them.

    One run at a time works in the cells' state kept here: the next one wipes it, where the last could have left marks.

    Parameters
    ----------
    study : its cells, and what cells held that were read before they were written
    """

    def __init__(self, study: Study) -> None:
        self._study = study
        self.cells = study.cells
        self._key: object = None
        self._held: tuple[Maps, NDArray[np.uint8], Where] | None = None
        n = max(1, self.cells.total)
        self._part = np.zeros(n, np.uint8)
        self._where: Where = slice(0, 0)
        # Wiped before a run where it may touch them, and looked at nowhere else.
        self._words = np.empty((n, memory_kernel.WORDS), np.uint32)
        self._links = np.empty((n, memory_kernel.LINKS), np.int32)
        self._fresh = study.fresh_words()

    def of(self, fault: PathFault) -> tuple[Maps, NDArray[np.uint8], Where]:
        """(maps, part a cell, the cells that a run may touch) of one fault: it leads to cells of its regions only."""
        key = (fault.op, fault.numbers, fault.regions)
        if self._held is None or key != self._key:
            self._part[self._where] = 0
            self._where = _as_slice(spans_of(self.cells, fault.regions), self.cells)
            self._part[self._where] = replay_kernel.TAKES_PART | replay_kernel.JUDGED
            self._held = (self._study.maps(fault), self._part, self._where)
            self._key = key
        return self._held

    def state(self, touched: Where) -> CellState:
        """The cells' state as it is before the first access."""
        self._words[touched] = self._fresh[touched]
        self._links[touched] = _NO_LINKS
        return CellState(self._words, self._links)


ANY_TIME = np.full(replay_kernel.WINDOWS, memory_kernel.ANY_TIME, np.uint8)
_NO_LINKS = np.zeros(memory_kernel.LINKS, np.int32)
_NO_LINKS[memory_kernel.OWNER] = -1
_NO_LINKS[memory_kernel.OWNER2] = -1


class PathRun:
    """One path fault played over the rows, block by block. Of the runs of one ``Tables`` only the last may be fed.

    ``hours``: uint8[WINDOWS], in which windows the fault is at work if it comes in bursts (``ASLEEP``, ``AWAKE`` of
    memory_kernel), None = nobody knows; ``judged``: the only region in which what it shows is counted, None = all.
    """

    def __init__(
        self, fault: PathFault, tables: Tables, hours: NDArray[np.uint8] | None = None, judged: int | None = None
    ) -> None:
        self.fault = fault
        self._hours = ANY_TIME if hours is None else hours
        self._tables = tables
        self.maps, self._part, self._touched = tables.of(fault)
        if judged is not None:
            span = tables.cells.span(judged)
            there = self._part[span] & replay_kernel.JUDGED
            self._part = self._part & ~np.uint8(replay_kernel.JUDGED)
            self._part[span] |= there
        self.start()

    def start(self) -> None:
        """Forget all blocks seen."""
        self._cells = self._tables.state(self._touched)
        self._counts = no_counts(1)

    def feed(self, rows: Rows, want_rows: bool = False) -> Given:
        """The next block; what is given is empty unless ``want_rows``."""
        given = nothing_given()
        if want_rows:
            given = Given(*(np.zeros(len(rows), one.dtype) for one in given))
        maps = self.maps
        tables = CellTables(self._part, maps.w1, maps.w2, maps.r1, maps.r2, self._hours)
        seen = seen_by(as_joined(self.fault, rows, self._tables.cells), self.fault.mask)
        replay_kernel.replay(
            seen, tables, _all_cells(), acts_of([self.fault]), self._cells, self._counts, want_rows, given
        )
        return given

    def effects(self) -> tuple[Effect, Effect]:
        """(hard, now and then) over all blocks fed."""
        always, some = effects_of(self._counts)[0]
        return always, some if self._hours is ANY_TIME else replace(some, hours=self._hours)


def seen_by(rows: Rows, mask: int) -> ReplayRows:
    """A block as faults of the lanes ``mask`` are held against it."""
    return ReplayRows(
        rows.cell, rows.is_write, rows.data, rows.lanes, rows.sure, rows.kept, rows.expected, rows.compared,
        rows.wrong & np.uint32(mask), rows.index, rows.window, rows.rest, rows.rest_read, rows.rest_bus,
    )  # fmt: skip


def acts_of(faults: Sequence[PathFault]) -> NDArray[np.int64]:
    """What each fault does, a row of ``Acts``."""
    return np.array([Acts(f.mask, f.stores, f.floats, f.joins, f.bends, f.bad_lanes, f.acts) for f in faults], np.int64)


def no_counts(faults: int) -> Counts:
    """Sums of as many faults, before the first row."""
    return Counts(
        np.zeros((faults, replay_kernel.TALLY), np.int64), np.zeros((faults, replay_kernel.TALLY), np.int64),
        np.zeros((faults, replay_kernel.WINDOWS, 2), np.int64), np.zeros((faults, 2), np.uint64),
        np.zeros((faults, _FIRST + 1), np.int64),
    )  # fmt: skip


def effects_of(counts: Counts) -> list[tuple[Effect, Effect]]:
    """(hard, now and then) of each fault."""
    hard, some, hashes, first = (one.tolist() for one in (counts.hard, counts.some, counts.hashes, counts.first))
    found = []
    for k, chances in enumerate(counts.chances):
        seen = tuple(first[k][1 : 1 + first[k][0]])
        found.append(
            (Effect(Tally(*hard[k]), hashes[k][0], seen, chances), Effect(Tally(*some[k]), hashes[k][1], seen, chances))
        )
    return found


@lru_cache(maxsize=1)  # nobody writes into it
def _all_cells() -> FewCells:
    none = np.zeros(1, np.int64)
    return FewCells(none, none, np.zeros(0, np.int32), np.zeros((0, 5), np.int32), np.zeros((0, 0), np.uint32))


@lru_cache(maxsize=1)  # nobody writes into it
def nothing_given() -> Given:
    """What a replay gives that is asked for no rows."""
    return Given(np.zeros(0, np.uint32), np.zeros(0, np.uint32), np.zeros(0, np.uint8), np.zeros(0, np.uint32))


def spans_of(cells: CellSpace, regions: Sequence[int]) -> tuple[Cells, Cells]:
    """First and last-but-one cells of some regions, neighbours as one."""
    spans: list[list[int]] = []
    for span in (cells.span(r) for r in regions):
        if spans and spans[-1][1] == span.start:
            spans[-1][1] = span.stop
        else:
            spans.append([span.start, span.stop])
    return np.array([s[0] for s in spans], np.int64), np.array([s[1] for s in spans], np.int64)


def _as_slice(spans: tuple[Cells, Cells], cells: CellSpace) -> slice | NDArray[np.bool_]:
    first, last = spans
    if len(first) == 1:
        return slice(int(first[0]), int(last[0]))
    mine = np.zeros(max(1, cells.total), np.bool_)
    for a, z in zip(first.tolist(), last.tolist(), strict=True):
        mine[a:z] = True
    return mine


def screened(rows: Rows, regions: Sequence[int]) -> Rows:
    """The rows that fall in ``regions``."""
    if len(regions) == 1:
        wanted = np.asarray(rows.region == np.int16(regions[0]))
    else:
        there = np.zeros(int(rows.region.max(initial=0)) + 2, np.bool_)  # the last one: outside all regions
        there[[r for r in regions if r < len(there) - 1]] = True
        wanted = there[rows.region]
    return rows if wanted.all() else rows.take(wanted)
