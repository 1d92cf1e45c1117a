"""Quick looks at the accesses as they were logged, which spare a sound capture the story of all its cells.

Each tells that something is surely not there; where it cannot tell, the story does.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.bus.columns import WRITE_KINDS, Cycles, Kind
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["nothing_wrong", "odd_selects", "reads_that_differ"]

_IS_WRITE = np.isin(np.arange(len(Kind)), WRITE_KINDS)
_BYTE = 8
_SELECTS = 64  # bits of ``Compared.selected``
_ODD: WeakKeyDictionary[Story, NDArray[np.int64]] = WeakKeyDictionary()


def nothing_wrong(story: Story) -> bool:
    """Whether it is sure, without looking at rows, that no read is wrong: all agree, and no ROM can be told wrong by
    what it mostly gave, as its image says all of it."""
    evidence = story.study.evidence
    told = evidence.profile_facts.data_bits <= _BYTE
    return evidence.all_agree and all(
        region.kind != "rom" or (told and region.image is not None and len(region.image) > region.end - region.start)
        for region in story.regions
    )


def reads_that_differ(story: Story, span: tuple[int, int]) -> int:
    """How many reads between the ticks of ``span`` differ, on lanes whose level is known, from the access before to
    their cell, that being a read, too."""
    inside, before = [], []
    for cycles, _ in story.accesses:
        first, last = np.searchsorted(cycles.time, [span[0] + 1, span[1]])
        if first < last:
            inside.append(cycles.slice(int(first), int(last)))
        if first:
            before.append(cycles.slice(0, int(first)))
    rows = Cycles.concat(inside)
    cell = story.study.cells.locate(rows.region, rows.address)
    order = np.argsort(cell, kind="stable")
    cell, rows = cell[order], rows.take(order)
    new = np.diff(cell, prepend=-1) != 0
    found = int(np.count_nonzero(_differ(rows.slice(0, len(rows) - 1), rows.slice(1, len(rows)))[~new[1:]]))
    firsts = rows.take(new)
    wanted = np.full(max(1, story.study.cells.total), -1, np.int64)  # of each cell: which of ``firsts`` waits for it
    wanted[cell[new]] = np.arange(len(firsts))
    left = len(firsts)
    for cycles in reversed(before):
        if not left:
            break
        waits = wanted[story.study.cells.locate(cycles.region, cycles.address)]
        met = np.flatnonzero(waits >= 0)
        last_of = np.full(len(firsts), -1, np.int64)
        last_of[waits[met]] = met  # of several the last one stays
        which = np.flatnonzero(last_of >= 0)
        found += int(np.count_nonzero(_differ(cycles.take(last_of[which]), firsts.take(which))))
        wanted[cell[new][which]] = -1
        left -= len(which)
    return found


def _differ(one: Cycles, two: Cycles) -> NDArray[np.bool_]:
    """Whether the second of two reads shows another level than the first, on a lane that both know."""
    differs: NDArray[np.bool_] = ((one.data ^ two.data) & ~(one.data_unknown | two.data_unknown)) != 0
    return differs & ~_IS_WRITE[one.kind] & ~_IS_WRITE[two.kind]


def odd_selects(story: Story) -> NDArray[np.int64]:
    """int64 (64, 2), of the selects of the first regions: accesses to its region at which it was seen quiet; accesses
    to others at which it was seen active. Several ask: it is counted once."""
    if story not in _ODD:
        _ODD[story] = _odd_selects(story)
        _ODD[story].setflags(write=False)
    return _ODD[story]


def _odd_selects(story: Story) -> NDArray[np.int64]:
    found = np.zeros((_SELECTS, 2), np.int64)
    if not any(region.select for region in story.regions[:_SELECTS]):
        return found
    own = np.zeros(len(story.regions), np.uint64)
    own[:_SELECTS] = np.uint64(1) << np.arange(min(len(own), _SELECTS), dtype=np.uint64)
    for cycles, compared in story.accesses:
        odd = own.take(cycles.region, mode="clip")
        odd ^= compared.selected
        odd &= compared.selects_seen
        rows = np.flatnonzero(odd)
        if not len(rows):
            continue
        region, odd = cycles.region[rows], odd[rows]
        for r in range(min(len(story.regions), _SELECTS)):
            mine = region[(odd >> np.uint64(r)) & np.uint64(1) != 0] == r
            found[r] += np.count_nonzero(mine), np.count_nonzero(~mine)
    return found
