"""Two blocks that are one memory, where no board file tells how the memory is cut.

Traffic alone cuts it at what is not accessed, so that the two seldom come as two regions of one size; what is written
to one is read in the other all the same, cell by cell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.mirrors import through
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, span_of, stated

__all__ = ["one_memory"]

_LEAST = 4  # wrong reads, as of other mirrors
_SIZES = range(15, 7, -1)  # powers of two, the largest first: half of what 16 lines reach, down to a page
_BLOCKS, _PAIRS = 4, 60  # bounds of work: blocks of one size in which reads are wrong, pairs of one size


def one_memory(story: Story) -> Iterator[Rival]:
    """Two blocks that are one, across the regions without chips: the smallest that explain the most."""
    bare = [
        r
        for r, region in enumerate(story.regions)
        if region.kind != "rom" and region.space != "io" and not story.has_chips(r)
    ]
    if len(bare) < 2:
        return
    rows = story.rows
    mine = np.isin(rows.region, np.array(bare))
    spoilt = np.flatnonzero(mine & (rows.wrong != 0))
    if len(spoilt) < _LEAST:
        return
    address = story.address[rows.cell]
    best: Rival | None = None
    for width in _SIZES:
        block = address >> width
        spoiled, often = np.unique(block[spoilt], return_counts=True)
        used = np.unique(block[mine])
        tried = spoiled[np.argsort(-often)][:_BLOCKS]
        pairs = {(min(a, b), max(a, b)) for a in tried.tolist() for b in used.tolist() if a != b}
        for pair in sorted(pairs) if len(pairs) <= _PAIRS else ():
            found = _held_once(story, bare, pair, width, len(used))
            if found is not None and (best is None or found.explains >= best.explains):
                best = found
    if best is not None:
        yield best


def _held_once(story: Story, bare: list[int], pair: tuple[int, int], width: int, used: int) -> Rival | None:
    rows, space = story.rows, story.study.cells
    low, high = (((b << width), ((b + 1) << width) - 1) for b in pair)
    regions = _regions_at(story, bare, (low, high))
    if len(regions) < 2:
        return None  # inside a region other mirrors are looked for
    cells = np.concatenate([np.arange(space.base[r], space.base[r] + space.size[r]) for r in regions])
    upper = cells[(story.address[cells] >= high[0]) & (story.address[cells] <= high[1])]
    partner = space.last_at(regions, story.address[upper] - (high[0] - low[0]))
    target = space.identity.copy()
    target[upper[partner >= 0]] = partner[partner >= 0]
    hits, misses, index = through(story, np.flatnonzero(np.isin(rows.region, np.array(regions))), target)
    if hits < _LEAST or misses > hits // 100:
        return None
    # What was written at an address of the other block that lies in no region, nobody kept: it may be anything.
    lower = cells[(story.address[cells] >= low[0]) & (story.address[cells] <= low[1])]
    alone = np.zeros(max(1, space.total), np.bool_)
    alone[upper[partner < 0]] = True
    alone[lower[space.last_at(regions, story.address[lower] + (high[0] - low[0])) < 0]] = True
    unseen = (rows.wrong != 0) & alone[rows.cell]
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[unseen & (story.repeat != kernel.SAME)])
    index = np.union1d(index, rows.index[unseen])
    return Rival(
        fault="mirrored",
        scope="machine",
        addresses=(low[0], high[1]),
        log_prior=prior_of("mirrored", chips=False),
        log_own=log_rate(hits, misses, HARD)
        - unknown * math.log(2.0)
        - math.log(max(1, math.comb(used, 2)) * len(_SIZES)),
        explains=len(index),
        against=misses,
        summary=f"{span_of(high)} is the memory of {span_of(low)} once more: what is written to one is read in both",
        evidence=(f"{counted(hits, 'wrong read')} give what was last written to either, {misses} do not",),
        next_step=f"See whether {span_of(high)} has chips of its own; if not, describe both in a board file, one as "
        "the other's mirror; else look at the address lines that tell them apart.",
        propose=(
            *stated(f"bank_{low[0]:04x}", low, "ram"),
            *stated(f"bank_{high[0]:04x}", high, "ram", f'mirror_of = "bank_{low[0]:04x}"'),
        ),
        index=index,
        taken=Excused(index),
    )


def _regions_at(story: Story, bare: list[int], places: tuple[tuple[int, int], ...]) -> list[int]:
    """Those of the regions that lie in one of the places."""
    return [
        r
        for r in bare
        if any(story.regions[r].start <= last and story.regions[r].end >= first for first, last in places)
    ]
