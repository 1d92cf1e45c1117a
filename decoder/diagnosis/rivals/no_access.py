"""Cycles in which a processor accesses nothing, taken for reads: the line that says so has no clip on it.

Nobody answers such a cycle, and it gives what the bus was left with, or what it floats to. A card that fails so
now and then does it anywhere; these come at the same places of the program every time, whatever part of the card lies
there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus import Profile, parse_condition
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic
from busledger.decoder.diagnosis.rivals.words import counted
from busledger.decoder.special_functions import betaln

__all__ = ["cycles_of_no_access", "lines_of_no_access"]

# Judged: where the line is not clipped such cycles are in the recording for sure, unless the machine has a gate for
# them; every second one has.
_LOG_PRIOR = math.log(0.5)
_LEAST = 8  # wrong reads: of fewer the places say little
_MOSTLY = 0.5  # of the wrong reads give what the bus was left with
_ANSWERS = 0.1  # right reads of a region for a wrong one of it. Judged
_FLOATS_TO = np.uint32(0xFFFFFFFF)  # inputs of TTL and pull-ups
_FIRM = 0.2  # of a Beta prior: what one place of the program does, it does nearly every time. Judged


def lines_of_no_access(profile: Profile) -> tuple[str, ...]:
    """The lines by which a bus tells cycles that access nothing, and without which every cycle counts as an access."""
    found: dict[str, None] = {}
    for rule in profile.rules:
        if rule.kind == "idle" and rule.address_is is None:
            for term in parse_condition(rule.when):
                found |= dict.fromkeys(literal.line for literal in sorted(term) if not literal.asserted)
    lines = profile.lines
    return tuple(line for line in found if lines[line].default_level == int(not lines[line].active_low))


def cycles_of_no_access(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival at most: that the line which tells such cycles is not clipped."""
    rows = story.rows
    if np.count_nonzero(rows.wrong) < _LEAST:
        return
    missing = tuple(line for line in lines_of_no_access(signs.profile) if line not in signs.names)
    if not missing:
        return
    wrong = rows.wrong != 0
    kept, high = ((rows.data ^ level) & rows.compared == 0 for level in (rows.kept, _FLOATS_TO))
    hit = wrong & (kept | high)
    # A right read tells that there was an access only where the bus was left with something else.
    right = (rows.compared != 0) & ~wrong & ~kept & ~high
    # A place that nearly never answers is bad, whatever else is not clipped.
    regions = len(story.regions)
    hits_in, right_in = (np.bincount(rows.region[of], minlength=regions) for of in (hit, right))
    answers = right_in >= _ANSWERS * hits_in
    hit, right, wrong = (of & answers[rows.region] for of in (hit, right, wrong))
    # And so is a cell that never comes right elsewhere: its own address is the place where it fails.
    sound = np.zeros(max(1, story.study.cells.total), np.bool_)
    sound[rows.cell[right]] = True
    hit, right = (of & sound[rows.cell] for of in (hit, right))
    hits = int(np.count_nonzero(hit))
    if hits < max(_LEAST, _MOSTLY * np.count_nonzero(wrong)):
        return
    # How long the bus stood still before it, and so what it has floated to, is a matter of the place, too.
    ways = [_log_by_place(at, hit, right) + _log_by_place(at, hit & kept, hit & ~kept) for at in _places(story)]
    names = " and ".join(missing)
    index = rows.index[hit]
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=missing,
        log_prior=_LOG_PRIOR,
        log_own=log_sum(ways) - math.log(len(ways)),
        explains=hits,
        summary=f"{names} {'is' if len(missing) == 1 else 'are'} not clipped, and {counted(hits, 'wrong read')} give "
        "what the bus was left with or floats to, at the same places of the program every time: cycles in which the "
        "processor accesses nothing",
        evidence=(f"the same cells come right at other places of the program, {np.count_nonzero(right)} times",),
        next_step=f"Clip {names}, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )


def _places(story: Story) -> Iterator[NDArray[np.int64]]:
    """Where in the program each row is, a number a row: by its address, the one before, and the one after; and by the
    last address before it that is no RAM, how far back that is, and what of the row and the next one is none either,
    for a loop that walks through memory does at each of its cells the same."""
    time, address = traffic(story)
    at = np.searchsorted(time, story.rows.time)
    around = np.concatenate([[-1], address, [-1]])
    yield _numbered(around[at], around[at + 1], around[at + 2])
    in_ram = np.zeros(len(address), np.bool_)
    for region in story.regions:
        in_ram |= (address >= region.start) & (address <= region.end) & (region.kind == "ram")
    code = np.where(in_ram, -1, address)
    before = np.maximum.accumulate(np.where(in_ram, -1, np.arange(len(code))))
    before = np.concatenate([[-1], before[:-1]])
    back = np.arange(len(code)) - before
    last = np.where(before >= 0, code[before], -1)
    yield _numbered(last[at], back[at], code[at], np.append(code, -1)[at + 1])


def _numbered(*columns: NDArray[np.int64]) -> NDArray[np.int64]:
    """A number a row, the same for rows that are alike in all columns."""
    found: NDArray[np.int64] = np.unique(np.stack(columns), axis=1, return_inverse=True)[1].reshape(-1)
    return found


def _log_by_place(place: NDArray[np.int64], hit: NDArray[np.bool_], right: NDArray[np.bool_]) -> float:
    """Log probability of which of two kinds each read is, where each place of the program has one nearly always."""
    size = int(place.max(initial=0)) + 1
    hits, rights = (np.bincount(place[of], minlength=size).astype(np.float64) for of in (hit, right))
    used = hits + rights > 0
    share = (hits.sum() + 0.5) / (hits.sum() + rights.sum() + 1.0)
    a, b = _FIRM * share, _FIRM * (1.0 - share)
    return float((betaln(a + hits[used], b + rights[used]) - betaln(a, b)).sum())
