"""Playing path faults over rows: under the theory that they always act, and under the one that they come and go, at any
time or in the bursts that a first run shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.arrays import Given
from busledger.decoder.diagnosis.replay.few_cells import Focus
from busledger.decoder.diagnosis.replay.foretold import FoundContents
from busledger.decoder.diagnosis.replay.led import LEADS, LOSES, ByCell, by_cell, with_stories
from busledger.decoder.diagnosis.replay.memory_kernel import AWAKE
from busledger.decoder.diagnosis.replay.replay import NOTHING, Effect, PathRun, Tables, screened
from busledger.decoder.diagnosis.replay.replay_kernel import EXPLAINS, WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows, Study
from busledger.decoder.diagnosis.replay.theory import JOINED_DATA, OWN_SELECT, Behaviour, PathFault
from busledger.decoder.diagnosis.replay.weighing import EXCUSE, Tally, hours_of, log_sometimes

__all__ = ["CROWD", "Effects", "in_bursts", "play"]

Effects = dict[Behaviour, tuple[Effect, Effect]]
CROWD = 8  # acts that are enough to tell when a fault acts. Judged
_STAYS_THERE = ("stays", "write-lost")  # no read goes astray: a right one refutes as much in a burst as at any time
_OFTEN = 0.15  # of its chances, at which a fault acts that is at work throughout, by a first look. Judged
_ALWAYS_AT_WORK = np.full(WINDOWS, AWAKE, np.uint8)
_BURST_ROUNDS = 3  # a fault is played again with the bursts that the last time showed
_STORY_ROWS = 400_000  # of a longer capture stories are not told: a bound of work, half a second for each fault there
_A_READ = 6.0  # nats that one more wrong read explained is taken to be worth when one such run is held against another


def play(
    study: Study, faults: Sequence[PathFault], rows: Rows, focus: NDArray[np.int32] | None, leaf: bool = False,
    contents: bool = True,
) -> Effects:  # fmt: skip
    """(hard, now and then) of each fault, judged on the cells ``focus``; None = on all cells, and with how likely it is
    what reads found in cells of unknown contents (``contents``: under the hard theory, too)."""
    found: Effects = {}
    by_regions: dict[tuple[int, ...], list[PathFault]] = {}
    for fault in sorted(faults, key=lambda f: (f.op, f.numbers)):
        by_regions.setdefault(fault.regions, []).append(fault)
    if focus is not None:
        looked_at = Focus(study, focus)
        for regions, members in by_regions.items():
            found.update(looked_at.play(members, screened(rows, regions)))
        return found
    tables = Tables(study)
    for regions, members in by_regions.items():
        mine = screened(rows, regions)
        unknown = FoundContents(study, mine)
        ordered: ByCell | None = None
        for fault in members:
            run = PathRun(fault, tables)
            given = run.feed(mine, want_rows=True)
            always, some = run.effects()
            if contents:
                always = replace(always, log_contents=unknown.log_of(fault, given.sure))
            if fault.op == JOINED_DATA:  # of one that comes and goes nobody knows which writes it met
                found[fault] = always, NOTHING
                continue
            often = not leaf or _is_refuted(always.tally)
            some, told = in_bursts(fault, tables, mine, (some, given), often=often)
            if contents and _asks_for_stories(fault, some.tally) and len(rows) <= _STORY_ROWS:
                ordered = by_cell(mine) if ordered is None else ordered
                ask = partial(unknown.log_of_acts, fault)
                by_stories = with_stories(fault, some, told, run.maps, mine, ordered, study.fresh_words(), ask)
                # Stories keep to one rate in each span: of short bursts what one replay counts may say more.
                if fault.op in LEADS or _own(fault, by_stories) > _own(fault, some):
                    some = by_stories
            if _asks_by_region(fault, some, told, mine):
                some = replace(some, apart=_by_region(fault, tables, mine, some.hours))
            if some.log_led is None and _is_worth_asking(fault, some):
                some = replace(some, log_contents=unknown.log_of_acts(fault, told.found))
            found[fault] = always, some
    return found


def _asks_by_region(fault: PathFault, some: Effect, told: Given, rows: Rows) -> bool:
    """Whether the chances of each region could matter, which take a replay for each: not where one region alone has
    what it explains, nor beside what it only excuses (``log_sometimes``), nor where it explains too little anyway."""
    if fault.op not in OWN_SELECT or some.tally.excused or some.tally.contradicted or _worth(fault, some) <= 0.0:
        return False
    shows = rows.region[(told.explained & EXPLAINS) != 0]
    return bool(len(shows)) and bool((shows != shows[0]).any())


def _by_region(
    fault: PathFault, tables: Tables, rows: Rows, hours: NDArray[np.uint8] | None
) -> tuple[NDArray[np.int64], ...]:
    """Hits and misses by window (int64[WINDOWS, 2]) of each region: a select that floats goes with the lines beside it,
    and how often that selects the chip differs with what is done in each row."""
    found = []
    for region in fault.regions:
        run = PathRun(fault, tables, hours, judged=region)
        run.feed(rows)
        found.append(run.effects()[1].chances)
    return tuple(found)


def in_bursts(
    fault: PathFault, tables: Tables, rows: Rows, some: tuple[Effect, Given], *, often: bool
) -> tuple[Effect, Given]:
    """The now and then theory of a fault played again where it came in bursts: while it is at work a read that it
    would lead to the same value says nothing, and when it is not, no read has gone astray.

    ``some``: its effect and what its replay gave, row by row.
    """
    if fault.op in _STAYS_THERE:
        return some
    best, found = some
    for _ in range(_BURST_ROUNDS):
        hours = hours_of(best.chances)
        if hours is None and often and _is_often(best.tally):
            hours = _ALWAYS_AT_WORK
        if hours is None or (best.hours is not None and (hours == best.hours).all()):
            break
        run = PathRun(fault, tables, hours)
        given = run.feed(rows, want_rows=True)
        again = run.effects()[1]
        if _worth(fault, again) <= _worth(fault, best):
            break
        best, found = again, given
    return best, found


def _is_often(tally: Tally) -> bool:
    """Whether a fault acts so often that it likely met the writes before the one that shows, too: as in a burst that
    lasts from the first window to the last."""
    return tally.hits >= CROWD and tally.hits + tally.excused >= _OFTEN * (tally.hits + tally.excused + tally.misses)


def _is_refuted(always: Tally) -> bool:
    """Whether it plainly does not act every time: a chip's that does, beside another one, fails to for that alone. One
    that would foretell nothing if it acted every time counts as refuted."""
    return always.misses + always.other >= always.hits


def _asks_for_stories(fault: PathFault, some: Tally) -> bool:
    """Whether one story of what the cells hold tells too little: of two cells mixed up, or of accesses that are lost
    so often that several met in one cell."""
    return fault.op in LEADS or (fault.op in LOSES and some.excused + some.contradicted > 0)


def _is_worth_asking(fault: PathFault, some: Effect) -> bool:
    """Whether it might explain anything, were what it found in unknown cells just what is always there."""
    return _worth(fault, some, log_unknown=0.0) > 0.0


def _own(fault: PathFault, effect: Effect) -> float:
    bits = fault.mask.bit_count()
    if effect.log_led is None:
        return log_sometimes(effect.tally, effect.chances, bits, hours=effect.hours)
    return effect.log_led + effect.tally.excused * (EXCUSE - math.log(max(2.0**bits - 1.0, 1.0)))


def _worth(fault: PathFault, effect: Effect, log_unknown: float | None = None) -> float:
    bits = fault.mask.bit_count()
    own = log_sometimes(effect.tally, effect.chances, bits, hours=effect.hours, log_unknown=log_unknown)
    return own + _A_READ * (effect.tally.explained + effect.tally.excused)
