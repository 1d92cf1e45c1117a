"""What cells on the other side of an address line explain: of a clip that shows the line wrongly."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_chances, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["either_side", "left_astray", "log_of", "log_sides", "partners_of", "selected_there", "walks"]

_EACH_BY_ITSELF = math.log(0.02)  # share of programs that change sides without any habit
_SELECTS = 64  # bits of ``Rows.selected``
_BACK = 4  # accesses of a region: what an instruction fetches lies between two of its data


def partners_of(story: Story, bit: int) -> NDArray[np.int32]:
    """The cell on the other side of an address line, int32 a cell, -1 where no region has it."""
    space = story.study.cells
    found = np.full(max(1, space.total), -1, np.int32)
    spaces: dict[object, list[int]] = {}
    for r, region in enumerate(story.regions):
        spaces.setdefault(region.space, []).append(r)
    for members in spaces.values():
        mine = np.concatenate([np.arange(space.base[r], space.base[r] + space.size[r]) for r in members])
        found[mine] = space.last_at(members, story.address[mine] ^ (1 << bit))
    return found


def either_side(
    story: Story, partners: NDArray[np.int32], first: int = 0, lanes: int = 0xFFFFFFFF
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Two values a row, from row ``first`` on, as ``story_kernel.either`` gives them: 1 = a wrong read that the cell or
    its partner explains, 2 = one of which nothing is known on one of the sides; 1 = a right read at which the partner
    held something else. ROM images are known from the start. ``lanes``: those that are looked at."""
    seen = np.uint32(lanes)
    rows, total = story.rows, max(1, story.study.cells.total)
    held, count = np.zeros((total, kernel.SIDES), np.uint32), np.zeros(total, np.int8)
    value, known = story.study.images()
    held[: len(value), 0], count[: len(known)] = value, known != 0
    hit, open_ = np.zeros(len(rows), np.uint8), np.zeros(len(rows), np.uint8)
    kernel.either(
        rows.cell, rows.is_write, rows.data, rows.sure, rows.compared & seen, rows.wrong & seen, first, partners, held,
        count, hit, open_,
    )  # fmt: skip
    return hit, open_


def left_astray(story: Story, bit: int, span: tuple[int, int]) -> NDArray[np.bool_]:
    """Whether a row comes after the ticks ``span``, in which the line's clip was off, and is of a cell that was written
    in that time at either side of the line, and not since: what it holds is not known."""
    rows = story.rows
    first, last = (int(at) for at in np.searchsorted(rows.time, span, side="right"))
    partners = partners_of(story, bit)
    written = np.zeros(len(partners), np.bool_)
    written[rows.cell[first:last][rows.is_write[first:last]]] = True
    written |= written[partners] & (partners >= 0)
    found = written[rows.cell] & (story.since < last)
    found[:last] = False
    return found


def selected_there(
    story: Story, partners: NDArray[np.int32], first: int, last: int
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Of the rows from ``first`` to before ``last``: those for which the clipped select of the region on the line's
    other side came, and not the one of the region that the clips say, as a decoder that is wired straight shows what
    the line really was; and those for which it was the other way round."""
    rows = story.rows
    own = rows.region[first:last].astype(np.int64)
    cell = partners[rows.cell[first:last]]
    other = np.searchsorted(np.array(story.study.cells.base), np.maximum(cell, 0), side="right") - 1
    able = (cell >= 0) & (other != own) & (own >= 0) & (own < _SELECTS) & (other < _SELECTS)
    seen, selected = rows.selects_seen[first:last], rows.selected[first:last]
    one, two = (np.uint64(1) << np.where(able, r, 0).astype(np.uint64) for r in (own, other))
    told = able & (seen & one != 0) & (seen & two != 0)
    came, here = selected & two != 0, selected & one != 0
    return told & came & ~here, told & here & ~came


def log_sides(
    cell: NDArray[np.int32],
    hit: NDArray[np.bool_],
    right: NDArray[np.bool_],
    kind: NDArray[np.uint8],
    window: NDArray[np.uint16] | None = None,
    walk: NDArray[np.int64] | None = None,
) -> float:
    """Log probability of which side of the line each telling read was on.

    As the one before it, for programs stay where they are for a while; as the last one of its cell, for programs run in
    loops; as the last time it came from the same place, for a loop takes the same steps every time; by both, and by
    whether the program goes on from the address before, fetches, or reads what was written since (``kind``, below 8),
    for its code lies on one side; seldom each by itself, at any rate. Where the ``window`` of each is given, in spells
    too, as those of a fault that comes and goes are; with ``walk`` as ``walks`` has it, from one address to the next.
    """
    told = np.flatnonzero(hit | right)
    if not len(told):
        return 0.0
    side = hit[told]
    order = np.argsort(cell[told], kind="stable")
    same = np.diff(cell[told][order]) == 0
    flips = int(np.count_nonzero(same & (side[order][1:] != side[order][:-1])))
    first = len(told) - int(np.count_nonzero(same))
    changes = int(np.count_nonzero(side[1:] != side[:-1]))
    before = np.full(len(told), 2)  # the side of the cell's last one
    before[order[1:][same]] = side[order[:-1][same]]
    habits = [
        _EACH_BY_ITSELF + log_rate(int(side.sum()), len(side) - int(side.sum()), SOMETIMES),
        log_rate(changes, len(side) - changes, SOMETIMES),
        log_rate(flips, len(told) - first - flips, SOMETIMES) - first * math.log(2.0),
        _log_steps(cell[told].astype(np.int64), side),
        log_of((kind[told][1:] * 2 + side[:-1]) * 3 + before[1:], side[1:]) - math.log(2.0),
    ]
    if window is not None:
        hits, others = (np.bincount(window[told][of], minlength=WINDOWS) for of in (side, ~side))
        habits.append(log_chances(hits, others, (int(hits.sum()), int(others.sum()))))
    if walk is not None:
        habits.append(log_of(walk[told], side))
    return log_sum(habits) - math.log(len(habits))


def _log_steps(cell: NDArray[np.int64], side: NDArray[np.bool_]) -> float:
    """Log probability of the sides where each is the one that the last step from the same cell, on the same side, to
    this one led to; of a step that is new, that of the one before."""
    step = (2 * cell[:-1] + side[:-1]) * (int(cell.max(initial=0)) + 1) + cell[1:]
    now = side[1:]
    order = np.argsort(step, kind="stable")
    again = np.concatenate([[False], np.diff(step[order]) == 0])[: len(order)]
    differs = np.concatenate([[False], now[order][1:] != now[order][:-1]])[: len(order)]
    turns, known = int(np.count_nonzero(again & differs)), int(np.count_nonzero(again))
    new = order[~again]
    changes = int(np.count_nonzero(now[new] != side[:-1][new]))
    own = log_rate(turns, known - turns, SOMETIMES) + log_rate(changes, len(new) - changes, SOMETIMES)
    return own - math.log(2.0)


def walks(story: Story, bit: int, hit: NDArray[np.uint8], open_: NDArray[np.uint8]) -> NDArray[np.int64]:
    """How each access goes on from one of the few before it in its region, if the line hides ``bit``: at the same
    address as it is shown, at the next one, past the lower half (the next one is shown below), past the upper one (it
    is shown above), or from none; times three, and the side on which that one was (2 = not known). Programs walk
    through memory, and so from one side to the other."""
    rows = story.rows
    side = np.where(hit != 0, 1, np.where(open_ != 0, 0, 2)).astype(np.int64)
    found = np.full(len(rows), 2, np.int64)
    step, size = 1 << story.study.cells.shift, 1 << bit
    for r in np.unique(rows.region):
        mine = np.flatnonzero(rows.region == r)
        at = story.address[rows.cell[mine]]
        for back in range(min(_BACK, len(mine) - 1), 0, -1):
            apart = at[back:] - at[:-back]
            for way, by in ((4, step + size), (3, step - size), (2, step), (1, 0)):
                there = back + np.flatnonzero(apart == by)
                found[mine[there]] = 3 * way + side[mine[there - back]]
    return found


def log_of(state: NDArray[np.int64], yes: NDArray[np.bool_]) -> float:
    """Log probability of what was so, where each state has a rate of its own."""
    states = int(state.max(initial=0)) + 1
    often, total = np.bincount(state[yes], minlength=states), np.bincount(state, minlength=states)
    return sum(log_rate(int(k), int(n - k), SOMETIMES) for k, n in zip(often, total, strict=True) if n)
