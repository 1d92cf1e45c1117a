"""Moments at which another master may have had the bus: nobody moved it for long, or cycles went by that do nothing.

A processor that gives its bus away stops its strobes, or, where the line that says so is not clipped, seems to read
the address that it left there, again and again.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, moment

__all__ = ["bus_handed_over", "moments", "standing"]

# Judged: no program does so.
_LONG = 16.0  # times the usual time between two accesses: the bus rested
_SELDOM = 50  # accesses for one such rest: where there are more, the program works elsewhere
_STANDS_OUT, _APART = 6.0, 4.0  # the same of a rest, and of the next shorter one, where few are longer than the others
_STANDS = 6  # reads of one address, cycle after cycle


def standing(story: Story) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(first, last) rows of runs of reads that stay at one address, cycle after cycle."""
    rows = story.rows
    if len(rows) < 2:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    stays = (rows.cell[1:] == rows.cell[:-1]) & (np.diff(rows.index) == 1) & ~rows.is_write[1:] & ~rows.is_write[:-1]
    edges = np.diff(np.concatenate([[False], stays, [False]]).astype(np.int8))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = last - first + 1 >= _STANDS
    return first[long], last[long]


def moments(story: Story) -> tuple[NDArray[np.int64], float]:
    """The rows before which the bus was another's, if anybody's, in rising order; and natural log of the odds for
    another master that the cycles show by themselves, beside any read."""
    rows = story.rows
    if len(rows) < 2:
        return np.zeros(0, np.int64), 0.0
    rests, apart = _rests(np.diff(rows.time).astype(np.float64))
    first, last = standing(story)
    return np.union1d(rests, last + 1), max(apart, _log_seen(first, last))


def _rests(gap: NDArray[np.float64]) -> tuple[NDArray[np.int64], float]:
    """(rows before which the bus rested, natural log of how far those rests stand out from all the others): those that
    are far longer than the next shorter one, for where a program goes out of sight it does so for any time; else all
    that are long."""
    usual = max(1.0, float(np.median(gap)))
    most = len(gap) // _SELDOM
    longest = np.argsort(-gap, kind="stable")[: most + 1]
    ratio = gap[longest[:-1]] / np.maximum(usual, gap[longest[1:]])
    ratio[gap[longest[:-1]] < _STANDS_OUT * usual] = 1.0
    apart = np.flatnonzero(ratio >= _APART)
    if len(apart):
        return np.sort(longest[: apart[0] + 1]) + 1, math.log(float(ratio[apart[0]]))
    rests = np.flatnonzero(gap >= _LONG * usual) + 1
    return rests[: 0 if len(rests) > most else None], 0.0


def _log_seen(first: NDArray[np.int64], last: NDArray[np.int64]) -> float:
    """That cycles stand at one address at all is what no fault of a card foretells."""
    return math.log(2.0) * float((last - first + 1 - _STANDS).sum())


def bus_handed_over(story: Story) -> Iterator[Rival]:
    """Reads that are none: the cycles of a bus that the processor has given away."""
    rows = story.rows
    first, last = standing(story)
    inside = np.zeros(len(rows) + 1, np.int64)
    np.add.at(inside, first, 1)
    np.add.at(inside, last + 1, -1)
    hit = (np.cumsum(inside)[:-1] > 0) & (rows.wrong != 0)
    if not hit.any():
        return
    # Each run shows what the bus floats to.
    wrong_at = np.flatnonzero(hit)
    run = np.searchsorted(first, wrong_at, side="right") - 1
    _, one = np.unique(run, return_index=True)
    changes = hit[1:] & hit[:-1] & (rows.cell[1:] == rows.cell[:-1]) & (rows.data[1:] != rows.data[:-1])
    shown = np.union1d(wrong_at[one], np.flatnonzero(changes) + 1)
    lanes = int(np.bitwise_or.reduce(rows.compared[hit]))
    runs = len(one)
    # At the most it proves who has the bus.
    seen = min(-prior_of("shared", chips=True), _log_seen(first, last))
    yield Rival(
        fault="shared",
        scope="machine",
        log_prior=prior_of("shared", chips=True),
        log_own=seen
        + log_rate(runs, len(first) - runs, SOMETIMES)
        + log_filled(rows.data[shown] & rows.compared[shown], lanes),
        explains=len(wrong_at),
        summary=f"the bus is given away to somebody who is not on the clips: {counted(runs, 'time')} it stands at one "
        f"address, first at {moment(story.seconds(int(rows.time[first[run[0]]])))}, and what seems to be read there is "
        "nobody's",
        evidence=(
            f"{counted(len(wrong_at), 'wrong read')} in cycles of an address that stays, one after another, as no "
            "program makes them",
        ),
        next_step="Clip the lines by which the processor gives the bus away (bus grant, bus available, halt) and "
        "capture again.",
        index=rows.index[hit],
        taken=Excused(rows.index[hit]),
    )
