"""Running the replay kernels: many lane faults in one pass, one path fault at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.cells import CellSpace
from busledger.decoder.diagnosis.replay import lanes_kernel, marks_kernel, memory_kernel, replay_kernel
from busledger.decoder.diagnosis.replay.arrays import (
    Acts,
    Bends,
    BentCounts,
    BentRows,
    CellState,
    CellTables,
    Counts,
    Given,
    ReplayRows,
)
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import BENDS, LaneFault, Maps, PathFault
from busledger.decoder.diagnosis.replay.weighing import LN2, Tally

__all__ = ["Effect", "PathRun", "Tables", "as_path", "both_ways", "run_lanes", "screened"]

Cells = NDArray[np.int64]


class Touched(NamedTuple):
    """The cells that a run may touch: the first ``many`` of a list, int32."""

    cells: NDArray[np.int32]
    many: int


Where = slice | NDArray[np.bool_] | Touched

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
    all stories of the cells, without what it excuses, at about the ``rate`` of each window (see ``led``).
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
    """Maps and judged cells of path faults; the last ones are kept, as neighbours in a list share them.

    One run at a time works in the cells' state kept here: the next one wipes it, where the last could have left marks.

    Parameters
    ----------
    study : its cells, and what cells held that were read before they were written
    focus : cells to judge; all if None. Cells that the fault can mix up with them take part too.
    """

    def __init__(self, study: Study, focus: NDArray[np.int32] | None = None) -> None:
        self._study = study
        self.cells = study.cells
        self._focus = focus
        self._key: object = None
        self._held: tuple[Maps, NDArray[np.uint8], Where] | None = None
        n = max(1, self.cells.total)
        self._part = np.zeros(n, np.uint8)
        self._marked: slice | NDArray[np.bool_] | int = 0  # an int: so many of the list
        self._seen, self._list = np.zeros(n, np.uint8), np.empty(n, np.int32)
        self._hurt = np.zeros(len(self.cells.size) + 1, np.bool_)
        self._focus_region = self.cells.regions_of(focus) if focus is not None else None
        self._of_regions: tuple[int, ...] = ()
        self._spans = (np.zeros(0, np.int64), np.zeros(0, np.int64))
        # Wiped before a run where it may touch them, and looked at nowhere else.
        self._words = np.empty((n, memory_kernel.WORDS), np.uint32)
        self._links = np.empty((n, memory_kernel.LINKS), np.int32)
        self._fresh = study.fresh_words()

    def of(self, fault: PathFault) -> tuple[Maps, NDArray[np.uint8], Where]:
        """(maps, part a cell, the cells that a run may touch) of one fault."""
        key = (fault.op, fault.numbers, fault.regions)
        if self._held is None or key != self._key:
            maps = self._study.maps(fault)
            self._unmark()
            self._held = (maps, self._part, self._mark(maps, fault))
            self._key = key
        return self._held

    def _mark(self, maps: Maps, fault: PathFault) -> Where:
        if fault.regions != self._of_regions:
            self._of_regions, self._spans = fault.regions, _spans(self.cells, fault.regions)
            self._hurt[:] = False
            self._hurt[list(fault.regions)] = True
        mine = self._spans
        if self._focus is None:
            self._marked = _as_slice(mine, self.cells)  # a fault leads to cells of its regions only
            self._part[self._marked] = replay_kernel.TAKES_PART | replay_kernel.JUDGED
            return self._marked
        judged = self._hurt[self._focus_region]
        n, m = marks_kernel.mark(
            maps.w1, maps.w2, maps.r1, maps.r2, *mine, self._focus, judged, self._part, self._seen, self._list
        )
        self._marked = n
        return Touched(self._list, m)

    def _unmark(self) -> None:
        if isinstance(self._marked, int):
            marks_kernel.unmark(self._list, self._marked, self._part)
        else:
            self._part[self._marked] = 0

    def state(self, touched: Where) -> CellState:
        """The cells' state as it is before the first access."""
        if isinstance(touched, Touched):
            marks_kernel.wipe(*touched, self._fresh, self._words, self._links)
        else:
            self._words[touched] = self._fresh[touched]
            self._links[touched] = _NO_LINKS
        return CellState(self._words, self._links)


_ANY_TIME = np.full(replay_kernel.WINDOWS, memory_kernel.ANY_TIME, np.uint8)
_NO_LINKS = np.zeros(memory_kernel.LINKS, np.int32)
_NO_LINKS[memory_kernel.OWNER] = -1
_NO_LINKS[memory_kernel.OWNER2] = -1


class PathRun:
    """One path fault played over the rows, block by block. Of the runs of one ``Tables`` only the last may be fed.

    ``hours``: uint8[WINDOWS], in which windows the fault is at work if it comes in bursts (``ASLEEP``, ``AWAKE`` of
    memory_kernel), None = nobody knows.
    """

    def __init__(self, fault: PathFault, tables: Tables, hours: NDArray[np.uint8] | None = None) -> None:
        self.fault = fault
        self._hours = _ANY_TIME if hours is None else hours
        self._tables = tables
        self.maps, self._part, self._touched = tables.of(fault)
        self.start()

    def start(self) -> None:
        """Forget all blocks seen."""
        self._cells = self._tables.state(self._touched)
        self._hard = np.zeros(replay_kernel.TALLY, np.int64)
        self._some = np.zeros(replay_kernel.TALLY, np.int64)
        self._chances = np.zeros((replay_kernel.WINDOWS, 2), np.int64)
        self._hashes = np.zeros(2, np.uint64)
        self._first = np.zeros(_FIRST + 1, np.int64)

    def feed(self, rows: Rows, want_rows: bool = False) -> Given:
        """The next block; what is given is empty unless ``want_rows``."""
        given = _nothing_given()
        if want_rows:
            given = Given(*(np.zeros(len(rows), one.dtype) for one in given))
        f, maps = self.fault, self.maps
        floats, rest = f.floats, rows.rest
        if floats == memory_kernel.KEPT_FROM_BUS:
            floats, rest = memory_kernel.KEPT_BY_CARD, rows.rest_bus
        stores, left = f.stores, rows.rest_read
        if stores in (memory_kernel.STORES_CARD, memory_kernel.STORES_BUS):
            left = rows.rest if stores == memory_kernel.STORES_CARD else rows.rest_bus
            stores = memory_kernel.STORES_REST
        wrong = rows.wrong & np.uint32(f.mask)
        replay_kernel.replay(
            ReplayRows(
                rows.cell, rows.is_write, rows.data, rows.lanes, rows.sure, rows.kept, rows.expected, rows.compared,
                wrong, rows.index, rows.window, rest, left,
            ),
            CellTables(self._part, maps.w1, maps.w2, maps.r1, maps.r2, self._hours),
            Acts(np.uint32(f.mask), stores, floats, f.joins, f.bends, np.uint32(f.bad_lanes), f.acts),
            self._cells,
            Counts(self._hard, self._some, self._chances, self._hashes, self._first),
            want_rows,
            given,
        )  # fmt: skip
        return given

    def effects(self) -> tuple[Effect, Effect]:
        """(hard, now and then) over all blocks fed."""
        first = tuple(self._first[1 : 1 + int(self._first[0])].tolist())
        return (
            Effect(Tally(*self._hard.tolist()), int(self._hashes[0]), first, self._chances),
            Effect(
                Tally(*self._some.tolist()), int(self._hashes[1]), first, self._chances,
                hours=None if self._hours is _ANY_TIME else self._hours,
            ),
        )


@lru_cache(maxsize=1)  # nobody writes into it
def _nothing_given() -> Given:
    return Given(np.zeros(0, np.uint32), np.zeros(0, np.uint32), np.zeros(0, np.uint8), np.zeros(0, np.uint32))


def _spans(cells: CellSpace, regions: Sequence[int]) -> tuple[Cells, Cells]:
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
