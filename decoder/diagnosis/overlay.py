"""A shared fault laid over the rows: what is left to explain is judged against the card that has it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.clipped import seen_acting
from busledger.decoder.diagnosis.never_written import as_read
from busledger.decoder.diagnosis.outvoted import outvoted
from busledger.decoder.diagnosis.replay import lanes_kernel, memory_kernel
from busledger.decoder.diagnosis.replay.led import by_cell, follow
from busledger.decoder.diagnosis.replay.replay import Effect, PathRun, Tables, screened
from busledger.decoder.diagnosis.replay.replay_kernel import EXCUSES, EXPLAINS
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import CoupledCell, Decay, LaneFault, Maps, PathFault
from busledger.decoder.diagnosis.replay.weighing import LN2
from busledger.decoder.diagnosis.scoring import Scored

__all__ = [
    "Aside",
    "Blind",
    "FoundFault",
    "NotLookedAt",
    "bent_reads",
    "composes",
    "hides",
    "lanes_apart",
    "moves",
    "shorts",
]


_MOVES = ("forced", "joined", "forced-board", "joined-board", "swapped")
_DROPS = ("write-lost",)
_JOINS = (lanes_kernel.AND, lanes_kernel.OR)


def composes(scored: Scored) -> bool:
    """Whether the chips behind the fault can be played as they stand: it only moves or drops accesses, or comes and
    goes, or leaves nothing of them to be seen."""
    if not scored.hard or hides(scored) or scored.path is not None:
        return True
    behaviour = scored.variant.behaviour
    return isinstance(behaviour, PathFault) and behaviour.op in (*_MOVES, *_DROPS)


def _bent_writes(rows: Rows, fault: PathFault) -> Rows:
    """The rows with what reaches the chips through lanes that are bad in writes alone."""
    lanes = np.where(rows.is_write & np.isin(rows.region, fault.regions), np.uint32(fault.bad_lanes), np.uint32(0))
    known = rows.sure | lanes
    if fault.bends == memory_kernel.BENDS_LOW:
        level = np.zeros(len(rows), np.uint32)
    elif fault.bends == memory_kernel.BENDS_HIGH:
        level = lanes
    elif fault.bends == memory_kernel.BENDS_FLOAT:
        level = {memory_kernel.STORES_HIGH: lanes, memory_kernel.STORES_CARD: rows.rest,
                 memory_kernel.STORES_BUS: rows.rest_bus}[fault.stores]  # fmt: skip
    else:
        decides = rows.sure & lanes & (~rows.data if fault.bends == memory_kernel.BENDS_AND else rows.data)
        both = (rows.sure & lanes) == lanes
        known = np.where((decides != 0) | both, known, rows.sure & ~lanes)
        high = (decides == 0) if fault.bends == memory_kernel.BENDS_AND else (decides != 0)
        level = np.where(high, lanes, np.uint32(0))
    return replace(rows, data=(rows.data & ~lanes) | (level & lanes), sure=known)


def _led_astray(rows: Rows, maps: Maps, study: Study, scored: Scored) -> Rows:
    """The rows as the chips see them: at the cells that the fault leads to, without the writes that reach none."""
    behaviour = scored.variant.behaviour
    if not isinstance(behaviour, PathFault) or behaviour.op not in (*_MOVES, *_DROPS):
        return rows
    there = np.where(rows.is_write, maps.w1[rows.cell], maps.r1[rows.cell])
    nowhere = (there < 0) & rows.is_write
    # What the fault has no part in is written all the same: of half a chip that takes no writes, the other half.
    taken = np.where(nowhere, np.uint32(behaviour.mask), np.uint32(0))
    lanes = rows.lanes & ~taken
    kept = ~nowhere | (lanes != 0)
    there = np.where(there >= 0, there, rows.cell)
    region = (np.searchsorted(np.array(study.cells.base), there, side="right") - 1).astype(np.int16)
    # Clipped selects were seen for the region that was asked: of the one that the access came to they say nothing.
    seen = np.where(region != rows.region, np.uint64(0), rows.selects_seen)
    moved = replace(
        rows, cell=there.astype(np.int32), region=region, lanes=lanes, sure=rows.sure & ~taken, selects_seen=seen
    )
    return moved if kept.all() else moved.take(kept)


def hides(scored: Scored) -> bool:
    """Whether a read through the fault shows nothing of the chips behind it, when it acts every time."""
    behaviour = scored.variant.behaviour if scored.path is None else scored.path
    if isinstance(behaviour, PathFault):
        return behaviour.op in ("silent", "read-lost") or bool(behaviour.acts & memory_kernel.ON_READS)
    return isinstance(behaviour, LaneFault)


def moves(scored: Scored) -> bool:
    """Whether it leads accesses to other cells, or drops writes: what a read shows then a cell holds all the same."""
    behaviour = scored.variant.behaviour if scored.path is None else scored.path
    return isinstance(behaviour, PathFault) and behaviour.op in (*_MOVES, *_DROPS)


def shorts(scored: Scored) -> bool:
    """Whether it joins lanes in every read: what the chips behind it give shows through, as far as it decides nothing.
    """
    behaviour = scored.variant.behaviour
    if not scored.hard or scored.path is not None or not isinstance(behaviour, LaneFault):
        return False
    return behaviour.does in _JOINS and behaviour.cell < 0


def lanes_apart(scored: Scored, rows: Rows) -> int:
    """Reads that show lanes apart which the fault joins in every read."""
    mask = np.uint32(scored.variant.behaviour.mask)
    asked = ~rows.is_write & np.isin(rows.region, np.array(scored.candidate.regions, np.int16))
    levels = rows.data & mask
    return int(np.count_nonzero(asked & ((rows.compared & mask) == mask) & (levels != 0) & (levels != mask)))


def _through_a_short(fault: LaneFault, rows: Rows, mine: NDArray[np.bool_]) -> Rows:
    """The rows with what joined lanes show of the chips behind them.

    The level that loses shows only where every lane gave it, so each can be compared. The one that wins shows that the
    lane gave it which alone should have, and nothing of the others. Where none should have, at least one is wrong, of
    which nothing more is known. Of reads whose other lanes are wrong as well the winning level tells nothing at all.
    """
    mask = np.uint32(fault.mask)
    low_wins = fault.does == lanes_kernel.AND
    winning, losing = (np.uint32(0), mask) if low_wins else (mask, np.uint32(0))
    whole = mine & (rows.compared & mask == mask)
    level, due = rows.data & mask, rows.expected & mask
    told = whole & (level == losing)
    quiet = whole & (level == winning) & (rows.wrong & ~mask == 0)
    told |= quiet & (due == losing)
    winner = (due ^ losing) & mask
    alone = quiet & (winner != 0) & (winner & (winner - np.uint32(1)) == 0)
    keep = np.where(mine & ~told, np.where(alone, ~mask | winner, ~mask), np.uint32(0xFFFFFFFF))
    return rows.holding(rows.expected & keep, rows.compared & keep)


class NotLookedAt(Protocol):
    """Lanes of reads that a fault is judged without."""

    def feed(self, rows: Rows) -> Rows:
        """The rows without those lanes."""

    def dropped(self, rows: Rows) -> NDArray[np.uint32]:
        """uint32 a row, the lanes left out."""


class Blind:
    """Chips that are plainly bad by themselves are not looked at: what they give would hide what all of them share.

    ``lanes``: region → mask of the lanes left out; ``regions``: how many regions there are.
    """

    def __init__(self, lanes: Mapping[int, int], regions: int) -> None:
        self.lanes = dict(lanes)
        self._drop = np.zeros(regions + 1, np.uint32)
        for region, mask in lanes.items():
            self._drop[region] = mask

    def start(self) -> None:
        """Nothing is carried."""

    def feed(self, rows: Rows) -> Rows:
        """The rows without those lanes."""
        keep = ~self._drop[rows.region]
        return rows.holding(rows.expected & keep, rows.compared & keep)

    def dropped(self, rows: Rows) -> np.ndarray:
        """uint32 a row, the lanes left out."""
        found: np.ndarray = self._drop[rows.region]
        return found


class Aside(Blind):
    """Lanes that a shared fault of the set has, which comes and goes: what a read shows there, and what the lane was
    left with, is the one fault's doing or the other's, and tells nothing of one that takes the whole row. What such a
    one finds in cells of unknown contents it finds on these lanes as well: that is not free for their being set aside.
    """

    def log_contents(self, effect: Effect, mask: int, regions: Sequence[int]) -> float:
        """What the lanes of ``mask`` that are set aside in ``regions`` cost by unknown contents: each as much as those
        beside them."""
        aside = max((self.lanes.get(region, 0) & mask).bit_count() for region in regions)
        told = effect.log_contents
        told = -effect.tally.unsure_bits * LN2 if told is None else told
        return told * aside / max(1, mask.bit_count() - aside)

    def is_told(self, lanes: Mapping[int, int]) -> bool:
        """Whether a set that has faults of these ``lanes``, by region, accounts for all that is left out."""
        return all(mask & ~lanes.get(region, 0) == 0 for region, mask in self.lanes.items())


class FoundFault:
    """Plays a fault beside the rows and takes out what it explains.

    A hard fault replaces the expectation by what the faulty card gives; where
    reads show nothing but the fault (``hides``), they say nothing of what lies
    behind it and are taken out whole (lanes that are joined in part only), as are those that it leads where nothing
    answers: ``lost`` of them, and ``lost_wrong`` gave what it does not foretell.
    One that comes and goes takes out just the wrong reads that it explains; ``excusable``: the cycles of those that it
    leaves though it could excuse them; ``untold``, ``came_right``: of what it was judged without (see untold). And
    those, ``astray`` of them, in which clipped selects show a decoder's fault at work: where another memory answered,
    or none, no chip of the row can be charged, though it gave what nobody knew.
    """

    def __init__(self, scored: Scored, study: Study, blind: NotLookedAt | None = None) -> None:
        behaviour = scored.variant.behaviour
        if isinstance(behaviour, Decay | CoupledCell):
            raise TypeError("a cell's own fault is weighed with its chip, not laid over")
        self.scored = scored
        self._hard, self._blind, self._study = scored.hard, blind, study
        self.hides = hides(scored)
        self._mask = np.uint32(behaviour.mask)
        self._there = np.zeros(len(study.card.regions) + 1, np.bool_)  # by region; the last one: outside all of them
        self._there[list(behaviour.regions)] = True
        self._lane = behaviour if isinstance(behaviour, LaneFault) and scored.path is None else None
        self._run: PathRun | None = None
        self.lost, self.lost_wrong, self.astray = 0, 0, 0
        self.excusable = np.zeros(0, np.int64)
        self.untold: NDArray[np.uint32] | None = None
        self.came_right: Rows | None = None
        self.log_outvoted = 0.0
        if self._lane is None and not (self.hides and scored.hard):
            path = scored.path if isinstance(behaviour, LaneFault) else behaviour
            assert path is not None
            self._run = PathRun(path, Tables(study), None if scored.hard else scored.effect.hours)

    def start(self) -> None:
        """Forget all blocks seen."""
        self.lost, self.lost_wrong, self.astray = 0, 0, 0
        if self._run is not None:
            self._run.start()

    def feed(self, rows: Rows) -> Rows:
        """The next block, judged against what the faulty card would give."""
        mine = self._there[rows.region] & ~rows.is_write
        if self._lane is not None and shorts(self.scored):
            return _through_a_short(self._lane, rows, mine)
        if self._hard and self.hides:
            lanes = np.where(mine, self._mask, np.uint32(0))
            # Nor do they say what cells held that nobody had written to: that they show the fault's level is told once.
            return replace(rows, sure=rows.sure & ~lanes).holding(rows.expected & ~lanes, rows.compared & ~lanes)
        seen = rows if self._blind is None else self._blind.feed(rows)
        if self._run is not None:
            value, sure, explained, _ = self._run.feed(seen, want_rows=True)
            explained = self._by_stories(seen, explained)
        else:
            assert self._lane is not None
            value, sure, bent = bent_reads(self._lane, seen)
            explained = np.where(bent, np.uint8(EXPLAINS), np.uint8(0))
        if not self._hard:
            taken = explained == EXPLAINS if self.scored.strict else explained != 0
            self.excusable = rows.index[mine & ~taken & (explained == EXCUSES)]
            lanes = np.where(mine & taken, self._mask, np.uint32(0))
            if seen is not rows:
                value, sure = (value, sure) if self._lane is None else bent_reads(self._lane, rows)[:2]
                lanes &= ~self._blinded(rows) | self._shown_as_well(rows, value, sure, lanes != 0)
                if self._lane is None and not self.hides:
                    self.untold = lanes & self._blinded(rows) & rows.compared
                    self.came_right, told = self._came_right(rows, value, sure, self.untold)
                    self.untold = np.where(told, np.uint32(0), self.untold)  # they are charged as what came right
            if self._lane is None:
                astray = mine & ~taken & (rows.wrong != 0) & seen_acting(self.scored, rows)
                self.astray += int(np.count_nonzero(astray))
                lanes |= np.where(astray, self._mask, np.uint32(0))
                # What cells hold is followed by what was written: a read that another cell answered, or one after a
                # lost write, says nothing of the next fault, not that it came back right, either.
                return rows.holding(rows.expected & ~lanes, rows.compared & ~lanes)
            told, self.log_outvoted = outvoted(self.scored, self._study, rows, mine)
            lanes |= np.where(told, self._mask, np.uint32(0))
            return rows.holding((rows.expected & ~lanes) | (rows.data & lanes), rows.compared)
        behaviour = self.scored.variant.behaviour
        # Where nobody names chips, what gives other contents in many reads may be no memory at all: it is held against
        # what each read showed of it, not against what most of them have in common.
        named = all(self._study.card.regions[r].named_chips for r in self.scored.candidate.regions)
        if isinstance(behaviour, PathFault) and behaviour.op in _DROPS and named:
            return as_read(rows, behaviour.mask, behaviour.regions)
        lanes = np.where(mine, self._mask, np.uint32(0))
        expected = (rows.expected & ~lanes) | (value & lanes)
        compared: NDArray[np.uint32] = rows.compared & (~lanes | sure)
        judged = rows.holding(expected & compared, compared)
        if self._run is None:
            return judged
        if self.scored.path is not None:
            return _bent_writes(judged, self.scored.path)
        return _led_astray(self._without_lost(judged, self._run.maps), self._run.maps, self._study, self.scored)

    def _by_stories(self, rows: Rows, explained: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """What the stories of the cells explain that the fault mixes up, where it was weighed by them."""
        behaviour, rate = self.scored.variant.behaviour, self.scored.effect.rate
        if self._hard or rate is None or self._run is None or not isinstance(behaviour, PathFault):
            return explained
        fresh = self._study.fresh_words()
        mine = screened(rows, behaviour.regions)
        led = follow(behaviour, self._run.maps, mine, by_cell(mine), fresh, rate)
        if led is None:
            return explained
        told = np.zeros(len(rows), np.bool_)
        told[np.flatnonzero(self._there[rows.region]) if mine is not rows else slice(None)] = led.explained
        found: NDArray[np.uint8] = np.where(
            told, np.uint8(EXPLAINS), np.where(explained == EXPLAINS, np.uint8(0), explained)
        )
        return found

    def _without_lost(self, rows: Rows, maps: Maps) -> Rows:
        """Reads that no chip can answer are the fault's own: what they gave, no chip can be charged with."""
        behaviour = self.scored.variant.behaviour
        if not isinstance(behaviour, PathFault) or behaviour.op not in _MOVES:
            return rows
        lost = ~rows.is_write & (maps.r1[rows.cell] < 0) & (rows.compared != 0)
        if not lost.any():
            return rows
        self.lost += int(np.count_nonzero(lost))
        self.lost_wrong += int(np.count_nonzero(lost & (rows.wrong != 0)))
        compared = np.where(lost, np.uint32(0), rows.compared)
        return rows.holding(rows.expected & compared, compared)

    def _shown_as_well(
        self, rows: Rows, value: NDArray[np.uint32], sure: NDArray[np.uint32], taken: NDArray[np.bool_]
    ) -> NDArray[np.uint32]:
        """Lanes of chips not looked at of which a read tells nothing any more that the fault's other lanes prove to be
        its doing, a mask each row.

        Where it leaves the lanes to nobody, those that gave what they would then: the chip need not have failed in the
        same read by chance. Where it led the access elsewhere, or lost a write, all of them: what was due there is not
        what the chip was asked for, and its own fault shows in the other reads.
        """
        hidden = self._blinded(rows) & self._mask
        if not self.hides and self._lane is None and self._run is not None:
            return np.where(taken, hidden, np.uint32(0))
        if not self.hides or (self._lane is not None and self._lane.does in _JOINS):
            return np.zeros(len(rows), np.uint32)
        same: NDArray[np.bool_] = (((rows.data ^ value) | ~sure) & hidden) == 0
        return np.where(same, hidden, np.uint32(0))

    def _came_right(
        self, rows: Rows, value: NDArray[np.uint32], sure: NDArray[np.uint32], untold: NDArray[np.uint32]
    ) -> tuple[Rows, NDArray[np.bool_]]:
        """Reads, and which of the rows they are, that show on the lanes looked at what the fault leads to, and on the
        others, which it would have led to another level, just what was due: compared on these with what it leads to."""
        hidden = untold & sure
        looked = self._mask & ~self._blinded(rows) & sure & rows.compared
        led = (looked != 0) & ((rows.data ^ value) & looked == 0)
        right = ((value ^ rows.expected) & hidden != 0) & ((rows.data ^ rows.expected) & untold == 0)
        return rows.holding(value & hidden, hidden).take(led & right), led & right

    def _blinded(self, rows: Rows) -> np.ndarray:
        return np.zeros(len(rows), np.uint32) if self._blind is None else self._blind.dropped(rows)


def bent_reads(fault: LaneFault, rows: Rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(levels, known lanes, wrong reads explained) of reads through bad lanes, as lanes_kernel has it."""
    rest = rows.rest_bus if fault.does == lanes_kernel.KEPT_FROM_BUS else rows.rest
    does = lanes_kernel.KEPT_BY_CARD if fault.does == lanes_kernel.KEPT_FROM_BUS else fault.does
    value, known = (np.zeros(len(rows), np.uint32) for _ in range(2))
    lanes_kernel.bend_all(does, np.uint32(fault.mask), rows.expected, rows.compared, rows.kept, rest, value, known)
    compared = rows.compared & known & np.uint32(fault.mask)
    explained = ((value ^ rows.expected) & compared != 0) & ((rows.data ^ value) & compared == 0)
    if fault.cell >= 0:
        explained &= rows.cell == fault.cell
    return value, known, explained
