"""Faults that lead accesses to other cells now and then, or lose them, weighed by all that these cells may hold.

Where an address line is wrong at times, a write of it goes astray as a read does: its own cell keeps what it held, be
it what the last write left there or one long before, and the other one gets what was not meant for it. A replay that
follows one story of what the cells hold knows the last writes only. Here each group of cells is followed in all of the
stories that its reads leave possible, each with its chance, so that a wrong read costs just what it costs: the chance
that some earlier value was still there, or had come to the other cell. An access that nobody takes leaves a cell by
itself in as many stories.

How often the fault acts is first what the replay found, by window, then that times some factors (of its odds), summed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay import led_kernel, memory_kernel
from busledger.decoder.diagnosis.replay.arrays import Given, LedFault, LedGroups, LedRows, LedWork
from busledger.decoder.diagnosis.replay.memory_kernel import ASLEEP
from busledger.decoder.diagnosis.replay.replay import Effect
from busledger.decoder.diagnosis.replay.replay_kernel import EXCUSES, EXPLAINS
from busledger.decoder.diagnosis.replay.rows import Rows
from busledger.decoder.diagnosis.replay.theory import Maps, PathFault
from busledger.decoder.diagnosis.replay.weighing import (
    EXCUSE,
    LN2,
    REGIONS_APART,
    SOMETIMES,
    log_chances,
    log_rate,
    log_sum,
)

__all__ = ["LEADS", "LOSES", "ByCell", "Led", "by_cell", "follow", "log_at", "rates_of", "with_stories"]

LEADS = ("forced", "joined", "forced-board", "joined-board")
LOSES = ("silent", "write-lost")
# Judged: a wrong read is explained where, the fault having acted once, what was read had at least that chance.
_LEAST = 1e-3
_SPANS = 8  # of the capture, in each of which a fault keeps to one rate: as the weighing has it
_RATES = (1e-4, 0.95)  # bounds of a rate that is taken as known. Judged
_ROUNDS = 2  # followed again at the rate that the last time found
_ALIKE = 1.0  # nats
_FACTORS = tuple(2.0**power for power in range(-3, 4))  # of the odds of a rate


class Led(NamedTuple):
    """``log_like`` of the reads, at the rates given and some around them; ``explained`` bool a row, ``unknown``
    uint32 a row the lanes of it that nobody knew; ``scale``: the
    likeliest factor, of like ones the least: cells that nobody else asks for may stand for one another."""

    log_like: float
    explained: NDArray[np.bool_]
    unknown: NDArray[np.uint32]
    scale: float


class ByCell(NamedTuple):
    """The rows, cell by cell: the ``cells`` accessed, rising, the rows in that ``order``, and where each begins."""

    cells: NDArray[np.int32]
    order: NDArray[np.int64]
    first: NDArray[np.int64]


def by_cell(rows: Rows) -> ByCell:
    """The rows, cell by cell."""
    order = np.argsort(rows.cell, kind="stable")
    cells, first = np.unique(rows.cell[order], return_index=True)
    return ByCell(cells, order, np.append(first, len(rows)).astype(np.int64))


def _groups(
    fault: PathFault, maps: Maps, rows: Rows, ordered: ByCell, fresh: NDArray[np.uint32]
) -> LedGroups | None:
    """Those of the cells that the fault leads elsewhere, with where it leads them; None of too many at once."""
    written = fault.op == "write-lost"
    there = (maps.w1 if written else maps.r1)[ordered.cells]
    moved = np.flatnonzero(there != ordered.cells)
    moved = moved[np.argsort(there[moved], kind="stable")]
    nowhere = there[moved] < 0
    # Where nothing answers each is by itself.
    new = np.ones(len(moved), np.bool_)
    new[1:] = nowhere[1:] | (there[moved][1:] != there[moved][:-1])
    begin = np.flatnonzero(new)
    sizes = np.diff(np.append(begin, len(moved)))
    if not len(begin) or sizes.max() >= led_kernel.MEMBERS:
        return None
    roots = there[moved][begin].astype(np.int64)
    at = np.minimum(np.searchsorted(ordered.cells, roots), len(ordered.cells) - 1)
    placed = np.where(ordered.cells[at] == roots, at, -1)
    place = np.insert(moved.astype(np.int64), begin, placed)
    cells = np.insert(ordered.cells[moved].astype(np.int64), begin, np.maximum(roots, 0))
    held = fresh[cells][:, [memory_kernel.HELD, memory_kernel.HELD_KNOWN]]
    starts = np.append(0, np.cumsum(sizes + 1)).astype(np.int64)
    takes = np.insert((maps.w1[ordered.cells[moved]] >= 0).astype(np.uint8), begin, np.uint8(1))  # what is led to a ROM
    lost = led_kernel.NOT_WRITTEN if written else led_kernel.NOWHERE
    where = np.where(roots < 0, np.uint8(lost), np.uint8(led_kernel.THERE))
    region = rows.region[ordered.order[ordered.first[moved[begin]]]].astype(np.int64)
    return LedGroups(starts, np.ascontiguousarray(held), place, takes, where, region)


def follow(
    fault: PathFault, maps: Maps, rows: Rows, ordered: ByCell, fresh: NDArray[np.uint32], rate: NDArray[np.float64]
) -> Led | None:
    """What the rows tell of a fault that acts at the ``rate`` of each window; None where it mixes up too many cells.

    ``fresh``: what is known of each cell before the first access (words of memory_kernel).
    """
    groups = _groups(fault, maps, rows, ordered, fresh)
    if groups is None:
        return None
    odds = rate / (1.0 - rate)
    scaled = odds[:, None] * np.array(_FACTORS)
    rates = scaled / (1.0 + scaled)
    floats, rest = fault.floats, rows.rest
    if floats == memory_kernel.KEPT_FROM_BUS:
        floats, rest = memory_kernel.KEPT_BY_CARD, rows.rest_bus
    n = 2 * led_kernel.STORIES
    members, scales = led_kernel.MEMBERS, led_kernel.SCALES
    work = LedWork(
        np.zeros((n, members), np.uint32), np.zeros((n, members), np.uint32), np.zeros((n, scales)), np.zeros(n),
        np.zeros(n), np.zeros(scales), np.zeros(scales), np.zeros(scales), np.zeros((members, 2), np.int64),
        np.zeros(members, np.uint8),
    )  # fmt: skip
    logs = np.zeros((int(groups.region.max()) + 1, scales))
    explained, unknown = np.zeros(len(rows), np.uint8), np.zeros(len(rows), np.uint32)
    floor = math.exp(EXCUSE) / (2.0 ** fault.mask.bit_count() - 1.0)
    columns = LedRows(
        rows.cell, rows.is_write, rows.data, rows.lanes, rows.sure, rows.kept, rows.expected, rows.compared,
        rows.wrong, rows.window, rest,
    )  # fmt: skip
    led_kernel.led(
        columns, ordered.order, ordered.first, groups, LedFault(np.uint32(fault.mask), floats, _LEAST, floor), rates,
        work, logs, explained, unknown,
    )  # fmt: skip
    together = logs.sum(axis=0)
    like = log_sum(together.tolist()) - math.log(scales)
    there = logs[np.unique(groups.region)]
    if len(there) > 1:
        each = sum(log_sum(one.tolist()) - math.log(scales) for one in there)
        like = log_sum([math.log1p(-REGIONS_APART) + like, math.log(REGIONS_APART) + each])
    return Led(like, explained != 0, unknown, _FACTORS[int((together > together.max() - _ALIKE).argmax())])


def rates_of(effect: Effect) -> NDArray[np.float64]:
    """float64[WINDOWS]: of a fault that comes and goes, how often it acts at a chance: in each span of the capture at
    the rate that it shows there, and in bursts only while it is at work."""
    by_span = effect.chances.reshape(_SPANS, -1, 2).sum(axis=1, dtype=np.float64)
    whole = _whole_rate(effect)
    rate = (by_span[:, 0] + whole) / (by_span.sum(axis=1) + 1.0)
    found = np.repeat(rate, len(effect.chances) // _SPANS)
    if effect.hours is not None:
        found = np.where(effect.hours == ASLEEP, 0.0, found)
    low, high = _RATES
    kept: NDArray[np.float64] = np.clip(found, low, high)
    return kept


def _whole_rate(effect: Effect) -> float:
    return (effect.tally.hits + 0.5) / (effect.tally.hits + effect.tally.misses + 1.0)


def _even_rate(effect: Effect) -> NDArray[np.float64]:
    """One rate throughout, float64[WINDOWS]."""
    low, high = _RATES
    return np.full(len(effect.chances), min(high, max(low, _whole_rate(effect))))


def with_stories(
    fault: PathFault, effect: Effect, given: Given, maps: Maps, rows: Rows, ordered: ByCell, fresh: NDArray[np.uint32],
    log_contents: Callable[[NDArray[np.uint32]], float | None],
) -> Effect:  # fmt: skip
    """The effect of a fault that comes and goes with ``log_led``: its log likelihood by all stories of its cells.

    ``given``: what its replay over the ``rows`` gave. What that could only excuse, and a story explains, it has hit.
    The stories are told at rates that suit them; that nobody knows the rates costs what it costs hits and misses.
    ``log_contents``: of lanes that nobody knew, None = a half for each.
    """
    rate = rates_of(effect)
    led = follow(fault, maps, rows, ordered, fresh, rate) if effect.tally.hits and len(rows) else None
    if led is None:
        return effect
    at, ideas = rate, 1
    if effect.hours is None or (effect.hours != ASLEEP).all():
        # What one story shows of its rate from span to span may be too few acts to tell.
        even = _even_rate(effect)
        steady, ideas = follow(fault, maps, rows, ordered, fresh, even), 2
        if steady is not None and steady.log_like > led.log_like:
            led, at = steady, even
    for _ in range(_ROUNDS):
        if led.scale == 1.0:
            break
        odds = at / (1.0 - at) * led.scale
        nearer = np.clip(odds / (1.0 + odds), *_RATES)
        again = follow(fault, maps, rows, ordered, fresh, nearer)
        if again is None:
            break
        led, at = again, nearer
    before = np.where((rows.wrong & np.uint32(fault.mask)) != 0, given.explained, np.uint8(0))
    contents = log_contents(led.unknown)
    bits = int(np.bitwise_count(led.unknown).sum())
    told, chances = effect.tally, effect.chances.copy()
    more = led.explained & (before != EXPLAINS)
    less = ~led.explained & (before == EXPLAINS)
    odd = ~led.explained & (before == EXCUSES)
    np.add.at(chances[:, 0], rows.window[led.explained & (before == 0)], 1)
    np.subtract.at(chances[:, 0], rows.window[less], 1)
    np.maximum(chances, 0, out=chances)
    excused = int(np.count_nonzero(odd))
    hits = max(0, int(chances[:, 0].sum()) - excused - told.contradicted)
    explained = int(np.count_nonzero(led.explained))
    tally = told._replace(
        hits=hits, explained=explained, excused=excused, unsure_bits=bits, two_ways=0, both_or_none=0,
        other=max(0, told.other - int(np.count_nonzero(more & (before == 0)))),
    )  # fmt: skip
    total = hits + excused + told.contradicted
    log = log_chances(chances[:, 0], chances[:, 1], (total, told.misses))
    found = led.log_like - math.log(ideas) + min(0.0, log - _at_the_best(chances, effect.hours))
    excused_at, idle = (float(np.log(way[rows.window[odd]]).sum()) for way in (at, 1.0 - at))
    found += excused_at
    if contents is not None:
        found += contents + bits * LN2
    first = tuple(rows.index[np.flatnonzero(led.explained)[: len(effect.first)]].tolist())
    hash_ = hash((effect.hash_, rows.index[led.explained].tobytes()))
    return replace(
        effect, tally=tally, hash_=hash_, chances=chances, log_contents=contents, log_led=found, rate=at, first=first,
        log_excused=excused_at, log_idle=idle,
    )  # fmt: skip


def log_at(
    fault: PathFault, maps: Maps, rows: Rows, ordered: ByCell, fresh: NDArray[np.uint32], there: NDArray[np.bool_],
    told: tuple[int, int],
) -> tuple[float, int] | None:  # fmt: skip
    """Log likelihood of a fault that acts in the windows ``there`` alone, at a rate that nobody knows but for its hits
    and misses, and how many wrong reads it explains."""
    hits, misses = told
    low, high = _RATES
    rate = np.where(there, min(high, (hits + 0.5) / (hits + misses + 1.0)), low)
    led = follow(fault, maps, rows, ordered, fresh, rate)
    if led is None:
        return None
    share = hits / (hits + misses)
    best = hits * math.log(share) + (misses * math.log1p(-share) if misses else 0.0)
    return led.log_like + min(0.0, log_rate(hits, misses, SOMETIMES) - best), int(np.count_nonzero(led.explained))


def _at_the_best(chances: NDArray[np.int64], hours: NDArray[np.uint8] | None) -> float:
    """Log likelihood of hits and misses at the rates that suit each span best: what not knowing them costs is the
    difference to ``log_chances``."""
    kept = chances if hours is None else np.where((hours == ASLEEP)[:, None], 0, chances)
    by_span = kept.reshape(_SPANS, -1, 2).sum(axis=1, dtype=np.float64)
    share = by_span / np.maximum(1.0, by_span.sum(axis=1, keepdims=True))
    return float((by_span * np.log(np.where(share > 0.0, share, 1.0))).sum())
