"""Cycles that were cut out at a pulse of a strobe: how likely it is which reads they spoil, and what those give.

A pulse in the middle of a cycle makes two of it, or one where there was none: shorter than the bus makes them, or
closer to their neighbours. A false write is in nobody's memory, so that the cell goes on giving what it held before;
a false read takes the lines as they were left, or half way to what they will be.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import Flag
from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.sides import log_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import first_of_each, traffic
from busledger.decoder.special_functions import gammaln

__all__ = ["doubtful_cycles", "log_false_cycles"]

# Of the usual distance of two accesses: what few are below; on some buses the shortest cycle takes half of the usual
# time, on none a quarter.
_CLOSE = (0.55, 0.25)
# Per cent of all transfers that come as soon after another one as the bus can; of that time what no cycle takes, and
# what is one cycle seen twice at its end, when its levels were there already.
_SHORTEST, _CLOSER, _AT_ONCE = 10.0, 0.8, 0.25
_ODD = 0.05  # of all accesses: more that are short or close are the bus's own. Judged
_HALF_WAY = 4  # the classes of what a spoilt read gives, see ``_values``: this one and the next are of lines half way
_CLASSES = 7


def doubtful_cycles(story: Story) -> NDArray[np.uint8]:
    """uint8 a row: 2 = a cycle that is shorter, or closer to a neighbour, than nearly all are; 3 = one that begins with
    its neighbour nearly; 1 = one whose lines moved in it; 0 = none of these."""
    rows = story.rows
    flags = np.zeros(len(rows), np.uint16)
    for cycles, compared in story.study.evidence.log.blocks():
        at = np.minimum(np.searchsorted(rows.index, compared.index), max(0, len(rows) - 1))
        mine = rows.index[at] == compared.index if len(rows) else np.zeros(len(at), np.bool_)
        flags[at[mine]] = cycles.flags[mine]
    gap = np.diff(rows.time)
    usual = float(np.median(gap)) if len(gap) else 0.0
    gap[~first_of_each(story)[1:]] = 1 << 60  # no cycle of its own
    found = np.where(flags & Flag.UNSETTLED != 0, np.uint8(1), np.uint8(0))
    near = [np.concatenate([[False], gap < share * usual, [False]]) for share in _CLOSE]
    for odd in (*(one[1:] | one[:-1] for one in near if len(rows)), flags & Flag.SHORT_STROBE != 0):
        if np.count_nonzero(odd) <= _ODD * len(rows):
            found[odd] = 2
    return np.maximum(found, _nearness(story))


def _nearness(story: Story) -> NDArray[np.uint8]:
    """uint8 a row: 3 = a transfer at the same moment nearly, 2 = one closer than the bus makes them, 0 = neither."""
    time, _ = traffic(story)
    gap = np.diff(time).astype(np.float64)
    if not len(gap):
        return np.zeros(len(story.rows), np.uint8)
    usual = float(np.percentile(gap, _SHORTEST))
    nearest = np.minimum(np.concatenate([[np.inf], gap]), np.concatenate([gap, [np.inf]]))
    there = nearest[np.searchsorted(time, story.rows.time, side="left")]
    return np.where(there < _AT_ONCE * usual, 3, np.where(there < _CLOSER * usual, 2, 0)).astype(np.uint8)


def log_false_cycles(story: Story) -> float:
    """Log probability of which reads come wrong, and of what they give, where cycles are cut out at pulses: those that
    are doubtful, and those of cells that a doubtful cycle wrote last, at rates of their own."""
    rows = story.rows
    wrong = rows.wrong != 0
    news = wrong & (story.repeat != kernel.SAME)
    asked = (rows.compared != 0) & (news | ~wrong)
    doubt = doubtful_cycles(story)
    written = _last_write(story)
    spoilt = (written >= 0) & (doubt[written] >= 2)  # a cell that a doubtful cycle wrote
    state = doubt.astype(np.int64) * 4 + 2 * spoilt + (spoilt & (story.repeat == kernel.FIRST))
    return log_of(state[asked], news[asked]) + _values(story, news, spoilt)


def _last_write(story: Story) -> NDArray[np.int64]:
    """The row of the last write of each row's cell before it, -1 = none."""
    rows = story.rows
    order = np.argsort(rows.cell, kind="stable")
    cell = rows.cell[order]
    first = np.concatenate([[True], cell[1:] != cell[:-1]]) if len(order) else np.zeros(0, np.bool_)
    start = np.maximum.accumulate(np.where(first, np.arange(len(order)), 0))
    place = np.where(rows.is_write[order], np.arange(len(order)), -1)
    before = np.concatenate([[-1], np.maximum.accumulate(place)[:-1]]) if len(order) else place
    found = np.full(len(rows), -1, np.int64)
    told = before >= start
    found[order[told]] = order[before[told]]
    return found


def _values(story: Story, news: NDArray[np.bool_], spoilt: NDArray[np.bool_]) -> float:
    """Log probability of what the wrong reads ``news`` give: what the cell held before a write that was ``spoilt``;
    the lines high, low, or as they were left; or some of them half way there, each as likely as not; or anything."""
    rows = story.rows
    at = np.flatnonzero(news)
    data, lanes, expected = rows.data[at], rows.compared[at], rows.expected[at]
    older = story.older[at]
    held = spoilt[at] & (older & 1 == 1) & (older >> kernel.BACK == 1)
    kinds = np.full(len(at), _CLASSES - 1, np.int64)
    ways = [held]
    ways += [((data ^ level) & lanes) == 0 for level in (np.uint32(0xFFFFFFFF), np.uint32(0), rows.kept[at])]
    ways += [rows.wrong[at] & ~data == 0, rows.wrong[at] & data == 0]
    for kind in reversed(range(len(ways))):
        kinds[ways[kind]] = kind
    bits = np.where(kinds == _HALF_WAY, np.bitwise_count(lanes & ~expected), np.bitwise_count(lanes & expected))
    half_way = (kinds == _HALF_WAY) | (kinds == _HALF_WAY + 1)
    own = -float(bits[half_way].sum()) * math.log(2.0)
    anything = kinds == _CLASSES - 1
    own += log_filled(data[anything] & lanes[anything], int(np.bitwise_or.reduce(lanes[anything], initial=0)))
    often = np.bincount(kinds, minlength=_CLASSES)
    flat = np.full(_CLASSES, 0.5)
    total = float(flat.sum())
    own += float(gammaln(often + flat).sum() - gammaln(flat).sum() + gammaln(total) - gammaln(len(at) + total))
    every = log_filled(data & lanes, int(np.bitwise_or.reduce(lanes, initial=0)))
    return log_sum([own, every]) - math.log(2.0)
