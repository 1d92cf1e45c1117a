"""Memory that answers once more at addresses which nobody takes for memory: its cells change by what is written there.

A program that looks whether a line is decoded writes to one address or two on the far side of it. That is too little
to make a region of, and nothing tells that the two are one but the cells that change by it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns, LatchWrites
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of, stated

__all__ = ["written_beside"]

_LEAST = 2  # wrong reads: one may be anything. Judged


def written_beside(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """The likeliest line of each region on whose other side its cells are written too, outside all regions."""
    writes = signs.latches()
    if not len(writes.time):
        return
    space, rows = story.study.cells, story.rows
    for r, region in enumerate(story.regions):
        mine = np.flatnonzero(rows.region == r)
        if region.kind == "rom" or not rows.wrong[mine].any():
            continue
        of_space = writes.io == int(region.space == "io")
        found: list[tuple[int, int, NDArray[np.int64], int]] = []
        for bit in signs.address_lines:
            if (region.start ^ region.end) >> bit:
                continue  # the other side of the line is the region itself
            there = writes.address ^ (1 << bit)
            beside = np.flatnonzero(of_space & (there >= region.start) & (there <= region.end))
            if len(beside) and bit >= space.shift:
                found.append((*_held(story, r, mine, writes, beside, bit), bit))
        hits, misses, index, bit = max(found, key=lambda one: one[0] - 20 * one[1], default=(0, 0, mine, 0))
        if hits >= _LEAST and misses <= hits // 100:
            yield _rival(story, r, (hits, misses), index, signs.address_lines[bit], bit, len(signs.address_lines))


def _held(
    story: Story, r: int, mine: NDArray[np.intp], writes: LatchWrites, beside: NDArray[np.intp], bit: int
) -> tuple[int, int, NDArray[np.int64]]:
    """(hits, misses, cycles that hit) of a region's rows where the writes ``beside`` go to its cells as well."""
    rows, space = story.rows, story.study.cells
    cell = space.last_at([r], writes.address[beside] ^ (1 << bit))
    beside, cell = beside[cell >= 0], cell[cell >= 0]
    order = np.argsort(np.concatenate([rows.time[mine], writes.time[beside]]), kind="stable")
    count, lanes = len(beside), np.uint32(story.study.card.data_mask)

    def joined(row: NDArray[np.generic], write: NDArray[np.generic] | int) -> NDArray[np.generic]:
        more = np.full(count, write, row.dtype) if isinstance(write, int) else write.astype(row.dtype)
        return np.concatenate([row[mine], more])[order]

    verdict = np.zeros(len(order), np.uint8)
    memory, known = (np.zeros(max(1, space.total), np.uint32) for _ in range(2))
    kernel.folded(
        joined(rows.cell, cell), joined(rows.is_write, 1), joined(rows.data, writes.data[beside]),
        joined(rows.sure, int(lanes)), joined(rows.lanes, int(lanes)), joined(rows.compared, 0), joined(rows.wrong, 0),
        space.identity, memory, known, verdict,
    )  # fmt: skip
    told = np.zeros(len(order), np.uint8)
    told[order] = verdict
    hit = mine[told[: len(mine)] == 1]
    return len(hit), int(np.count_nonzero(told[: len(mine)] == 2)), rows.index[hit]


def _rival(
    story: Story, r: int, count: tuple[int, int], index: NDArray[np.int64], line: str, bit: int, lines: int
) -> Rival:
    region, (hits, misses) = story.regions[r], count
    start, end = region.start ^ (1 << bit), region.end ^ (1 << bit)
    there = (min(start, end), max(start, end))
    return Rival(
        fault="mirrored",
        scope="machine",
        lines=(line,),
        region=r,
        addresses=there,
        log_prior=prior_of("mirrored", chips=story.has_chips(r)),
        log_own=log_rate(hits, misses, HARD) - math.log(max(1, lines)),
        explains=hits,
        against=misses,
        summary=f"{span_of(there)} is {named(region)} once more: {line} makes no difference, and what is written there "
        "is read here",
        evidence=(
            f"{counted(hits, 'wrong read')} give what was last written on the other side of {line}, {misses} speak "
            "against it",
            "an address line that is open on the card does the same: the size of the chips tells them apart",
        ),
        next_step="Compare with the size of the chips that are fitted: if they hold no more, say so in the board file; "
        f"if they do, follow {line} to the chips.",
        propose=stated(f"{named(region)}_mirror", there, "ram", f'mirror_of = "{named(region)}"'),
        index=index,
        taken=Excused(index),
    )
