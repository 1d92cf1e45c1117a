"""Writes that were not seen: how likely it is which reads show something new, and what they show.

Where the clip of the write strobe is off, writes are taken for reads or not seen at all, and memory changes by itself.
What a program writes it writes in its own way: it fills memory by a rule, so that each value follows from the one
before, and it writes the same cells as it does in the rest of the capture (stacks, counters, tables).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.fillings import log_contents, log_turns
from busledger.decoder.diagnosis.rivals.sides import log_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic, writes

__all__ = ["Unseen", "foretold_by_rules", "log_crowded", "log_unseen", "restless"]

_FILLS = 20.0  # nats against a program that writes so densely just then and at no other time. Judged
_BACK = 4  # accesses: what an instruction fetches lies between two of its data
_SHARES = (0.0, 0.25, 0.75)  # of the reads of a cell: never, rarely and often give something else


Steps = tuple[NDArray[np.int64], NDArray[np.bool_]]  # see ``_steps``


class Unseen(NamedTuple):
    """``told``: rows of the reads that would show such a write; ``fresh``, bool a row: those that do; ``news``: their
    rows, and others that show one later; ``often``: see ``restless``."""

    told: NDArray[np.intp]
    fresh: NDArray[np.bool_]
    news: NDArray[np.intp]
    often: NDArray[np.int64]


def log_unseen(story: Story, unseen: Unseen) -> float:
    """Log probability of which reads show something new, and of what they show: each by the habits of programs, or by
    a rule that they fill memory with."""
    rows, news = story.rows, unseen.news
    steps = _steps(story, unseen)
    habits = _log_moments(story, unseen, steps) + _log_contents(story, news)
    held = _held_before(rows)[unseen.told]
    ruled = [_log_ruled(story, unseen, steps, held, one) for one in foretold_by_rules(story, unseen.told)]
    return log_sum([habits, log_sum(ruled) - math.log(len(ruled))]) - math.log(2.0) if len(rows) else 0.0


def restless(rows: Rows, inside: NDArray[np.bool_], *, writes_too: bool) -> NDArray[np.int64]:
    """How often each cell gives something else than the time before, int64 a cell, in all but the rows ``inside``: 0 =
    never looked at twice, 1 = never, then rarely, often, nearly always. ``writes_too``: what is written counts as what
    is read, as it does where one line tells the two apart."""
    seen = np.flatnonzero(~inside if writes_too else ~inside & ~rows.is_write)
    last, now = _pairs(rows, seen)
    moved = (rows.data[last] ^ rows.data[now]) & rows.sure[last] & rows.sure[now] != 0
    cells = int(rows.cell.max(initial=-1)) + 1
    often, of = np.bincount(rows.cell[now[moved]], minlength=cells), np.bincount(rows.cell[now], minlength=cells)
    share = often / np.maximum(1, of)
    found: NDArray[np.int64] = np.where(of == 0, 0, 1 + np.searchsorted(_SHARES, share, side="left"))
    return found


def log_crowded(story: Story, cells: int, transfers: int) -> float:
    """Log of how likely it is that so many ``cells`` were written beside so few other ``transfers``, where as many were
    at the most while the writes were seen: Chernoff's bound of a Poisson count (Mitzenmacher and Upfal, Probability and
    Computing, theorem 5.4, from memory). 0 where the program wrote as densely elsewhere."""
    seen = writes(story)
    if not len(seen):
        return 0.0
    others = np.searchsorted(traffic(story)[0], seen) - np.arange(len(seen))
    most = int((np.searchsorted(others, others + transfers, side="right") - np.arange(len(seen))).max())
    if cells <= most:
        return 0.0
    # That the only fill of a capture falls in that time is no more unlikely than its share of the whole.
    alone = math.log(transfers / max(transfers, len(traffic(story)[0])))
    return min(0.0, max(cells - most - cells * math.log(cells / most), alone - _FILLS))


def _pairs(rows: Rows, seen: NDArray[np.intp]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Of the rows ``seen``: each that is not the first of its cell, with the one before."""
    seen = seen[np.argsort(rows.cell[seen], kind="stable")]
    same = rows.cell[seen[:-1]] == rows.cell[seen[1:]]
    return seen[:-1][same], seen[1:][same]


def _log_contents(story: Story, news: NDArray[np.intp]) -> float:
    """Log probability of what was written: see ``log_contents``; or each cell has values of its own."""
    rows = story.rows
    lanes = int(np.bitwise_or.reduce(rows.compared[news], initial=0))
    filled = log_contents(rows.data[news] & rows.compared[news], lanes, story.older[news], rows.wrong[news] == 0)
    return log_sum([filled, log_values(rows.cell[news], rows.data[news], rows.compared[news])]) - math.log(2.0)


def _log_moments(story: Story, unseen: Unseen, steps: Steps) -> float:
    """Log probability of which of the reads show something new: see ``log_turns``; or by whether it is the cell of one
    of the reads before, or one beside it, and read for the first time since it was written, for programs read a cell
    before they write it, and write cells in order; or by how restless the cell is elsewhere, for stacks and counters
    change from read to read whenever they are looked at, and code never does."""
    told = unseen.told
    cell, new = story.rows.cell[told].astype(np.int64), unseen.fresh[told]
    step, before = steps
    habit = step * 2 + before + 8 * (story.repeat[told] == kernel.FIRST)
    often = unseen.often[cell]
    ways = [log_turns(new), log_of(habit, new), log_of(16 * often + habit, new)]
    ways.append(log_of(2 * often + _one_later(new), new))
    return log_sum(ways) - math.log(len(ways))


def _steps(story: Story, unseen: Unseen) -> Steps:
    """How each of the reads goes on from one of the few before it (0 = from none, 1 = the same cell, 2 = the next one,
    3 = the one below), and whether that one showed something new: a stack is written downwards and read upwards, with
    instructions fetched in between."""
    rows = story.rows
    rom = np.array([region.kind == "rom" for region in story.regions] or [False], np.bool_)
    ram = np.flatnonzero(~rom[rows.region])
    cell, fresh = rows.cell[ram].astype(np.int64), unseen.fresh[ram]
    step = np.zeros(len(ram), np.int64)
    new = _one_later(fresh)
    for back in range(min(_BACK, len(ram) - 1), 0, -1):
        apart = cell[back:] - cell[:-back]
        for found, by in ((1, 0), (2, 1), (3, -1)):
            at = back + np.flatnonzero(apart == by)
            step[at], new[at] = found, fresh[at - back]
    at = np.searchsorted(ram, unseen.told)
    return step[at], new[at]


def _one_later(of: NDArray[np.bool_]) -> NDArray[np.bool_]:
    return np.concatenate([of[:0], np.zeros(min(1, len(of)), np.bool_), of[:-1]])


def foretold_by_rules(story: Story, told: NDArray[np.intp]) -> list[NDArray[np.uint32]]:
    """What each of the reads ``told`` gives by rules that memory is filled with: as the last one at an even or odd
    address, as the one before; as far from it as the addresses are; the next number."""
    rows = story.rows
    data, address = rows.data[told], story.address[rows.cell[told]]
    place = np.arange(len(told))
    alike = np.zeros(len(told), np.intp)  # the last one before with the same lowest address bit
    for odd in (0, 1):
        at = np.maximum.accumulate(np.where(address & 1 == odd, place, 0))
        alike = np.where(address & 1 == odd, np.concatenate([at[:1], at[:-1]]), alike)
    before = np.maximum(place - 1, 0)
    apart = (address ^ address[before]).astype(np.uint32)
    return [data[alike], data[before], data[before] ^ apart, data[before] + np.uint32(1)]


def _held_before(rows: Rows) -> NDArray[np.uint32]:
    """What each row's cell showed the time before; the first time what it shows then."""
    last, now = _pairs(rows, np.arange(len(rows)))
    held = rows.data.copy()
    held[now] = rows.data[last]
    return held


def _log_ruled(
    story: Story, unseen: Unseen, steps: Steps, held: NDArray[np.uint32], foretold: NDArray[np.uint32]
) -> float:
    """The same, of a program that goes by one rule for a while, and then not: where what is foretold is not what the
    cell held, something new is to be seen as long as the rule holds, and it is what is foretold."""
    rows, told = story.rows, unseen.told
    new, lanes = unseen.fresh[told], rows.compared[told]
    asks = (foretold ^ held) & lanes != 0
    fits = new & ((foretold ^ rows.data[told]) & lanes == 0)
    # Whether the rule held when it could last be seen to: at a read that it foretold to be new.
    place = np.arange(len(told))
    asked = np.maximum.accumulate(np.where(asks, place, -1))
    before = np.concatenate([asked[:0], np.full(min(1, len(told)), -1), asked[:-1]])
    held_then = (before >= 0) & fits[np.maximum(before, 0)]
    often = unseen.often[rows.cell[told]]
    state = 2 * asks + held_then
    step, before_that = steps
    ways = [log_of(state * 5 + often, new), log_of(2 * state + _one_later(new), new)]
    ways.append(log_of((state * 4 + step) * 2 + before_that, new))
    own = log_sum(ways) - math.log(len(ways))
    own += log_of((2 * asks + held_then)[new], fits[new])
    return own + _log_contents(story, np.setdiff1d(unseen.news, told[fits]))
