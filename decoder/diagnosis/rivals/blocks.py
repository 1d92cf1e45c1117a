"""Blocks of memory that changed all at one moment, as a copy by an unseen master, or a dip of the supply, leaves them.

What a cell gave is held against its access before: a read that gives the same says that nothing changed it in between,
one that gives something else that something did. Which moment, and which run of addresses, explains most such changes
is asked again and again, each time of those that are left.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import log_rate
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["Block", "Passages", "blocks_of", "passages", "stabbed"]

LN2 = math.log(2.0)
_WHOLE = (20.0, 1.0)  # Beta prior, judged: what lies in a block is written, but some of it with what was there before
_MISSED = 3.0  # nats that a cell which kept its contents costs the block that it lies in, about as _WHOLE has it
_LEAST = 4  # changes: fewer at one moment are no block
_BLOCKS = 24  # bounds of work
_MOMENTS, _WORK = 48, 6_000_000


@dataclass(frozen=True)
class Passages:
    """Every read of a cell whose contents were known, one entry a read: from row ``before`` to row ``row`` of the
    story they stayed, or have ``changed`` to what is wrong, or came ``back`` to what they should be."""

    before: NDArray[np.int64]
    row: NDArray[np.int64]
    changed: NDArray[np.bool_]
    back: NDArray[np.bool_]

    def take(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Passages:
        """The entries given by mask or index."""
        return Passages(self.before[which], self.row[which], self.changed[which], self.back[which])


@dataclass(frozen=True)
class Block:
    """Addresses ``low`` to ``high`` that changed just before row ``moment``: ``rows`` of the story show it, ``missed``
    cells there kept what they held; ``log_own`` without the new contents."""

    low: int
    high: int
    moment: int
    rows: NDArray[np.int64]
    missed: int
    log_own: float


def passages(story: Story) -> Passages:
    """From each access to the next read of its cell."""
    rows = story.rows
    order = np.argsort(rows.cell, kind="stable")
    one, two = order[:-1], order[1:]
    both = rows.sure[one] & rows.sure[two] & rows.lanes[one]
    # A read that came right tells of the lanes, too, that it left in doubt: few lanes are enough to know the cell by.
    right = ~rows.is_write[one] & (rows.compared[one] != 0) & (rows.wrong[one] == 0) & (rows.wrong[two] != 0)
    both = np.where(right, both | rows.wrong[two], both)
    told = (rows.cell[one] == rows.cell[two]) & ~rows.is_write[two] & (both != 0) & (rows.compared[two] != 0)
    one, two, both = one[told], two[told], both[told]
    differs, wrong = (rows.data[one] ^ rows.data[two]) & both, rows.wrong[two] != 0
    differs = np.where(right[told], rows.wrong[two], differs)
    back = ~wrong & (rows.wrong[one] & differs & rows.compared[two] != 0)
    # Where a cell that nobody wrote gave two values it did not stay; which of them is wrong nobody knows.
    neither = ~wrong & ~back & (differs != 0)
    return Passages(one, two, wrong & (differs != 0), back).take(~neither)


def stabbed(found: Passages) -> tuple[int, int]:
    """The row that most changes passed, and how many did."""
    mine = found.take(found.changed)
    if not len(mine.row):
        return 0, 0
    steps = np.zeros(int(mine.row.max()) + 2, np.int64)
    np.add.at(steps, mine.before + 1, 1)
    np.add.at(steps, mine.row + 1, -1)
    inside = np.cumsum(steps)
    at = int(inside.argmax())
    return at, int(inside[at])


def blocks_of(story: Story, found: Passages, when: NDArray[np.int64] | None = None) -> list[Block]:
    """Blocks that changed at one moment each, the plainest first; ``found``: of one region; ``when``: the rows before
    one of which each changed, None = any."""
    address = story.address[story.rows.cell[found.row]]
    found = found.take(np.argsort(address, kind="stable"))
    address = np.sort(address, kind="stable")
    total = max(2, len(found.row))
    # What a change costs by itself, that is what one costs less in a block.
    worth = math.log(total / max(1, int(found.changed.sum())))
    place = math.log(max(2, len(story.rows)) if when is None else len(when))
    place += 2.0 * math.log(max(2, len(np.unique(address))))
    left = found.changed.copy()
    same = ~found.changed & ~found.back
    blocks: list[Block] = []
    while len(blocks) < _BLOCKS and np.count_nonzero(left) >= _LEAST:
        moments = np.unique(found.row[left]) if when is None else when
        most = max(4, min(_MOMENTS, _WORK // total))
        tried = moments[:: max(1, len(moments) // most)]
        gain, moment, low, high = max(_best_run(found, address, left, same, int(m), worth) for m in tried)
        inside = (found.before < moment) & (found.row >= moment) & (address >= low) & (address <= high)
        hit = inside & left
        count, missed = int(np.count_nonzero(hit)), int(np.count_nonzero(inside & same))
        if gain <= place or count < _LEAST:
            break
        own = log_rate(count, missed, _WHOLE) - place
        blocks.append(Block(low, high, moment, np.sort(found.row[hit]), missed, own))
        left &= ~hit
    return blocks


def _best_run(
    found: Passages, address: NDArray[np.int64], left: NDArray[np.bool_], same: NDArray[np.bool_], moment: int,
    worth: float,
) -> tuple[float, int, int, int]:  # fmt: skip
    """(gain, moment, first and last address) of the run of addresses that says most for a change at ``moment``."""
    over = np.flatnonzero((found.before < moment) & (found.row >= moment) & (left | same))
    steps = np.where(left[over], worth, -_MISSED)
    sums = np.concatenate([[0.0], np.cumsum(steps)])
    least = np.minimum.accumulate(sums)
    end = int((sums - least).argmax())
    if end == 0:
        return 0.0, moment, 0, -1
    start = int(sums[:end].argmin())
    return float(sums[end] - sums[start]), moment, int(address[over[start]]), int(address[over[end - 1]])
