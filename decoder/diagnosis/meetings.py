"""Reads in which shared faults that come and go met, or one of them several times: how likely each gives what was read.

A replay follows one fault, and tries the acts of it that alone explain a read. What is left over is often both of two
faults at once (an access led astray twice), or one at a write and another at the read that shows it, and a chip would
be charged with it that only stands there. So such reads are played forward: an access goes where none, one or two of
the faults lead it, each at its own rate; what a cell holds then is what its last writes, and those that a fault may
have brought it, left there, unless they were lost, or what its last read has shown.

What is approximated: acts are independent of one another, and what other cells' reads tell of them is not asked for.
"""

from __future__ import annotations

import functools
import itertools
import math
import operator
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.leaf import Leaf, Unit
from busledger.decoder.diagnosis.overlay import moves
from busledger.decoder.diagnosis.own_doing import OwnDoing
from busledger.decoder.diagnosis.path import NOT_LISTED, Path, PathFaultState
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.memory_kernel import HELD, HELD_KNOWN, ON_READS, ON_WRITES
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import LaneFault, PathFault
from busledger.decoder.diagnosis.scoring import Scored, rate_by_window

__all__ = ["Meetings"]

_BENT = (lanes_kernel.LOW, lanes_kernel.HIGH, lanes_kernel.AND, lanes_kernel.OR)
Cells = NDArray[np.int64]

# Nats: with each act come the chances at which it did not act, of which nobody has counted those here:
# (1 − ρ) to the power of (1 − ρ) / ρ, which is 1 / e for a small rate ρ.
_MISSED = -1.0
_AT_MOST = 24  # accesses to a cell that are gone back through
_A_STRAY = 8.0  # nats that a read costs a chip which its own faults do not explain, about, as in worth.py
_SHARE = 0.5  # judged: reads in which faults met, for each that one of them spoilt by itself
_PLAYED = 300  # wrong reads of chips, all of them together, that are asked about. A bound of work
# Judged: the chance of being bad from which what a chip shows beside another's wrong read may be its own doing, the
# wrong reads of such a chip at the least, and how many times as many as the other's.
_PLAINLY, _MANY, _OUTDONE = 0.9, 4, 2
_LEAST = 1e-3  # of a chance that nothing yet has settled what a cell holds: no longer gone back
_TARGETS = 16  # cells of one kind that a fault may lead to one. A bound of work


@dataclass(frozen=True)
class _Mover:
    """One fault that leads accesses elsewhere, or drops writes: its maps, and its rate by window, float64."""

    reads: NDArray[np.int32]
    writes: NDArray[np.int32]
    order: Cells
    rate: NDArray[np.float64]

    def brings(self, cell: int) -> list[int]:
        """The other cells whose writes it leads to this one."""
        first, last = np.searchsorted(self.writes, (cell, cell + 1), sorter=self.order).tolist()
        return [x for x in self.order[first:last][:_TARGETS].tolist() if x != cell]


@dataclass(frozen=True)
class _Bender:
    """One fault of lanes, of reads, writes or both, with its rate by window."""

    does: int
    mask: int
    regions: tuple[int, ...]
    of_reads: bool
    of_writes: bool
    rate: NDArray[np.float64]


class Meetings:
    """Asks of what sets of shared faults leave of a card's reads. ``units``: its chips; ``bare``: the rows before any
    fault is laid over them."""

    def __init__(self, study: Study, units: Sequence[Unit], bare: Rows) -> None:
        self._study, self._units, self._bare = study, units, bare
        self._last: tuple[NDArray[np.int32], Cells] | None = None

    def reads(
        self, paths: Sequence[Path], rows: Rows, leaves: Sequence[Leaf], bad: NDArray[np.float64],
        gains: NDArray[np.float64],
    ) -> dict[int, tuple[float, int]]:  # fmt: skip
        """By cycle, (log of the chance that what is left wrong of a read came where faults met, on which lanes): of
        those reads that a chip hardly reads wrong without, and that cost the chips more than that.

        ``rows``: what the ``paths`` leave; ``leaves``, ``bad``, ``gains``: of the chips, behind the paths.
        """
        faults = [path.scored for path in paths if isinstance(path, PathFaultState)]
        movers, benders = _movers(self._study, faults), _benders(faults)
        often = [leaf.count.wrong for leaf in leaves]
        chips, loud = self._few(often, bad) if movers or benders else ([], [])
        if not chips and not loud:
            return {}
        was_wrong = self._bare.wrong[np.searchsorted(self._bare.index, rows.index)]
        played = _Played(self._study, rows, self._by_cell(rows), movers, benders, was_wrong)
        at = {u: self._wrong_of(u, rows) for u in (*chips, *loud)}
        cost = np.zeros(len(rows))  # of each read, to its chips
        for u in at:
            cost[at[u]] += float(gains[u]) / often[u]
        found: dict[int, tuple[float, int]] = {}
        for u in at:
            lanes = rows.compared[at[u]] & ~np.uint32(self._own_doing(u, often, bad))
            met = played.chances(at[u], lanes) if u in chips else []
            whole = len(met) > often[u] / 2
            if not whole and bad[u] > _PLAINLY and often[u] > _MANY:
                met = self._beside_its_own(played, u, leaves[u], at[u])
                cost[[k for k, _, _ in met]] += _A_STRAY
            price = {k: math.log(chance) + _MISSED for k, _, chance in met}
            whole = whole and sum(cost[k] + price[k] for k in price) > 0.0
            for k, mine, _ in met:
                if whole or cost[k] + price[k] > 0.0:
                    # What a bad chip shows of a meeting it shows of the one that the chips beside it show.
                    cheapest, others = found.get(int(rows.index[k]), (0.0, 0))
                    found[int(rows.index[k])] = min(cheapest, price[k]), others | mine
        # Faults meet in few of the reads that they spoil; what one of them spoils alone it is to explain itself.
        acts = sum(one.effect.tally.hits for one in faults if not one.hard)
        return found if len(found) <= _SHARE * acts else {}

    def _wrong_of(self, u: int, rows: Rows) -> NDArray[np.intp]:
        unit = self._units[u]
        return np.flatnonzero((rows.region == unit.region) & (rows.wrong & np.uint32(unit.mask) != 0))

    def _beside_its_own(
        self, played: _Played, u: int, leaf: Leaf, at: NDArray[np.intp]
    ) -> list[tuple[int, int, float]]:
        """Of a bad chip's reads that its own faults do not explain, those in which they met shared ones."""
        mine = tuple(fault for fault in leaf.best.faults if fault.candidate.fault != NOT_LISTED)
        mask = np.uint32(self._units[u].mask)
        if not mine:
            return []
        listed = replace(leaf, states=(leaf.best._replace(faults=mine),))
        rest = at[OwnDoing(self._study, played.rows, {u: listed}).dropped(played.rows)[at] & mask == 0]
        if len(rest) > _PLAYED:
            return []
        both = played.beside(_movers(self._study, mine), _benders(mine, always=True))
        return both.chances(rest, played.rows.compared[rest] & mask)

    def _few(self, often: Sequence[int], bad: NDArray[np.float64]) -> tuple[list[int], list[int]]:
        """The chips that read wrong least often, within a bound of work; and the plainly bad ones of the others, of
        which only those reads are asked about that their own faults do not explain."""
        chips = sorted((u for u, wrong in enumerate(often) if wrong), key=often.__getitem__)
        work = itertools.accumulate(often[u] for u in chips)
        few = [u for u, reads in zip(chips, work, strict=True) if reads <= _PLAYED]
        return few, [u for u in chips[len(few) :] if bad[u] > _PLAINLY]

    def _own_doing(self, u: int, often: Sequence[int], bad: NDArray[np.float64]) -> int:
        """Lanes of the chips beside this one that are bad of themselves: what they show in the same reads is no part of
        what met in them."""
        region, least = self._units[u].region, max(_MANY, _OUTDONE * often[u])
        own = [v for v, unit in enumerate(self._units) if unit.region == region and often[v] > least]
        return functools.reduce(operator.or_, (self._units[v].mask for v in own if bad[v] > _PLAINLY), 0)

    def _by_cell(self, rows: Rows) -> Cells:
        """The rows, cell by cell; remembered while faults are laid over that leave each access where it was."""
        if self._last is None or self._last[0] is not rows.cell:
            self._last = rows.cell, np.argsort(rows.cell, kind="stable")
        return self._last[1]


def _movers(study: Study, faults: Iterable[Scored]) -> list[_Mover]:
    """Those of the faults that lead accesses elsewhere now and then."""
    found = []
    for scored in faults:
        behaviour = scored.variant.behaviour
        if not scored.hard and moves(scored) and isinstance(behaviour, PathFault):
            maps = study.maps(behaviour)
            found.append(_Mover(maps.r1, maps.w1, np.argsort(maps.w1, kind="stable"), rate_by_window(scored)))
    return found


def _benders(faults: Iterable[Scored], *, always: bool = False) -> list[_Bender]:
    """Those of the faults that bend lanes to a known level now and then, or ``always`` as well."""
    found = []
    for scored in faults:
        fault = scored.variant.behaviour
        if not isinstance(fault, LaneFault) or fault.cell >= 0 or fault.does not in _BENT:
            continue
        if scored.hard and not always:
            continue
        acts = ON_READS if scored.path is None else scored.path.acts
        at, to = bool(acts & ON_READS), bool(acts & ON_WRITES)
        found.append(_Bender(fault.does, fault.mask, fault.regions, at, to, rate_by_window(scored)))
    return found


class _Played:
    """The rows, found by cell. ``was_wrong``: uint32 a row, the lanes that were before any fault was laid over it."""

    def __init__(
        self, study: Study, rows: Rows, order: Cells, movers: Sequence[_Mover], benders: Sequence[_Bender],
        was_wrong: NDArray[np.uint32],
    ) -> None:  # fmt: skip
        self.rows = self._rows = rows
        self._study, self._movers, self._benders, self._order = study, movers, benders, order
        self._was_wrong = was_wrong
        self._fresh = study.fresh_words()
        self._known: dict[tuple[int, int], float] = {}

    def beside(self, movers: Sequence[_Mover], benders: Sequence[_Bender]) -> _Played:
        """The same with these faults as well."""
        return _Played(
            self._study, self.rows, self._order, [*self._movers, *movers], [*self._benders, *benders], self._was_wrong
        )

    def chances(self, at: NDArray[np.intp], lanes: NDArray[np.uint32]) -> list[tuple[int, int, float]]:
        """(row, its lanes, chance) of those of the reads that faults have a part in."""
        asked = sorted(zip(at.tolist(), lanes.tolist(), strict=True))  # an earlier read says what a later one finds
        return [(k, mine, chance) for k, mine in asked if (chance := self.chance(k, mine)) > 0.0]

    def chance(self, k: int, lanes: int) -> float:
        """Chance that a read gives what it gave on ``lanes``, by acts of the faults; 0.0 where none has a part."""
        if (k, lanes) not in self._known:
            self._known[k, lanes] = self._chance(k, lanes)
        return self._known[k, lanes]

    def _chance(self, k: int, lanes: int) -> float:
        rows, data = self._rows, int(self._rows.data[k])
        window, own = int(rows.window[k]), int(rows.compared[k]) & ~lanes  # what other chips gave themselves
        bent = [one for one in self._benders if one.of_reads and rows.region[k] in one.regions]
        found = 0.0
        for cell, way in self._reached(int(rows.cell[k]), window):
            for value, known, chance in self._held(cell, k, lanes):
                value, known = (value & ~own) | (data & own), known | own
                shown = _same(value, known, data, lanes)
                shown += sum(float(b.rate[window]) * _same(*_bent(value, known, b), data, lanes) for b in bent)
                found += way * chance * shown
        return min(1.0, found)  # the ways are added, each by itself

    def _reached(self, cell: int, window: int) -> Iterator[tuple[int, float]]:
        """The cells that a read may come to, and how likely."""
        yield cell, 1.0
        for one in self._movers:
            there = int(one.reads[cell])
            if there < 0 or there == cell:
                continue
            rate = float(one.rate[window])
            yield there, rate
            for other in self._movers:
                beyond = int(other.reads[there]) if other is not one else -1
                # Either order may come to the same cell: lines that are led apart are led so at once.
                if beyond >= 0 and beyond not in (cell, there):
                    yield beyond, rate * float(other.rate[window]) / 2.0

    def _held(self, cell: int, before: int, lanes: int) -> Iterator[tuple[int, int, float]]:
        """(levels, known lanes, chance): what a cell may hold at a read, by the accesses that came to it before. Of
        these a read that is wrong on these ``lanes``, and in which no fault has a part, tells nothing of what they
        brought there; nor does one that came wrong through bent lanes alone."""
        rows, left = self._rows, 1.0
        for k, chance in self._accesses(cell, before):
            if int(rows.wrong[k]) & lanes and self.chance(k, lanes) <= 0.0:
                continue
            if self._came_bent(k):
                continue
            data, sure = int(rows.data[k]), int(rows.sure[k])
            yield data, sure, left * chance
            for one in self._benders if rows.is_write[k] else ():
                if one.of_writes and rows.region[k] in one.regions:
                    yield *_bent(data, sure, one), left * chance * float(one.rate[rows.window[k]])
            left *= 1.0 - chance
            if left < _LEAST:
                return
        yield int(self._fresh[cell, HELD]), int(self._fresh[cell, HELD_KNOWN]), left

    def _came_bent(self, k: int) -> bool:
        """Whether a read is explained by a fault of its lanes: what the cell held is not what it gave."""
        rows, was = self._rows, int(self._was_wrong[k])
        if rows.is_write[k] or not was or rows.wrong[k]:
            return False
        return any(one.of_reads and rows.region[k] in one.regions and not was & ~one.mask for one in self._benders)

    def _accesses(self, cell: int, before: int) -> list[tuple[int, float]]:
        """Rows of the last accesses that tell what the cell holds, and how likely each one came to it; the last one
        first."""
        rows = self._rows
        found: list[tuple[int, float]] = []
        for k in self._last(cell, before):
            w = int(rows.window[k])
            stays = 1.0
            for one in self._movers:
                there = one.writes[cell] if rows.is_write[k] else one.reads[cell]
                stays *= 1.0 if there == cell else 1.0 - float(one.rate[w])
            found.append((k, stays))
        for one in self._movers:
            for source in one.brings(cell):
                found += [(k, float(one.rate[rows.window[k]])) for k in self._last(source, before) if rows.is_write[k]]
                for other in self._movers:
                    for first in other.brings(source) if other is not one else ():
                        found += [
                            (k, float(one.rate[rows.window[k]] * other.rate[rows.window[k]]) / 2.0)
                            for k in self._last(first, before) if rows.is_write[k] and first != cell
                        ]  # fmt: skip
        return sorted(found, reverse=True)[:_AT_MOST]

    def _last(self, cell: int, before: int) -> list[int]:
        first, last = np.searchsorted(self._rows.cell, (cell, cell + 1), sorter=self._order).tolist()
        mine = self._order[first:last]
        end = int(np.searchsorted(mine, before))
        found: list[int] = mine[max(0, end - _AT_MOST) : end].tolist()
        return found


def _same(value: int, known: int, data: int, lanes: int) -> float:
    if (value ^ data) & known & lanes:
        return 0.0
    return 0.5 ** (lanes & ~known).bit_count()


def _bent(value: int, known: int, bender: _Bender) -> tuple[int, int]:
    mask = bender.mask
    if bender.does == lanes_kernel.LOW:
        return value & ~mask, known | mask
    if bender.does == lanes_kernel.HIGH:
        return value | mask, known | mask
    if known & mask == mask:
        level = value & mask == mask if bender.does == lanes_kernel.AND else bool(value & mask)
        return (value | mask if level else value & ~mask), known
    return value, known & ~mask
