"""Address lines that are not clipped, and more memory behind them than the board file names.

Then what looks like one region is two memories or more: a read gives what either of them holds, and what was written
to one is held against the other. No read is wrong for it; which memory was meant is what the clips do not say.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import log_chances, log_sum
from busledger.decoder.diagnosis.rivals.fillings import log_back
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import log_sides
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named

__all__ = ["aliases"]

_FEWEST = 3  # wrong reads: fewer show no second memory. Judged


def aliases(story: Story) -> Iterator[Rival]:
    """One rival for each region that only the board file told, and one for all of them together."""
    assumed = story.study.evidence.assumed
    rows = story.rows
    found: list[tuple[int, float, int, int]] = []
    for r, region in enumerate(story.regions):
        here = (rows.region == r) & ~rows.is_write & (rows.compared != 0)
        wrong = here & (rows.wrong != 0)
        count = int(np.count_nonzero(wrong))
        if region.name not in assumed or region.kind == "rom" or count < _FEWEST:
            continue
        known = wrong & (story.older & 1 == 1)
        by_cell = log_sides(rows.cell[here], wrong[here], ~wrong[here], story.going_on[here])
        # A memory that was not seen before holds anything.
        new = wrong & (story.older & 1 == 0)
        by_cell += log_back(story.older[wrong])
        by_cell -= sum(int(lanes).bit_count() for lanes in rows.compared[new]) * math.log(2.0)
        # What the program does over there may have any habit, as a chip that is bad in a way not listed.
        own = log_sum([by_cell, _log_any(rows.take(rows.region == r))]) - math.log(2.0)
        found.append((r, own, count, int(np.count_nonzero(known))))
    for one in found:
        yield _rival(story, [one])
    if len(found) > 1:
        yield _rival(story, found)


def _log_any(rows: Rows) -> float:
    """Log probability of a region's wrong reads as a chip's that is bad in a way not listed: those that are news come
    at any rate, and show any lanes wrong or any value, some again and again."""
    news = (rows.wrong != 0) & (rows.event != 0)
    right = (rows.compared != 0) & (rows.wrong == 0)
    hits, misses = (np.bincount(rows.window[kind], minlength=WINDOWS).astype(np.int64) for kind in (news, right))
    bits = int(np.bitwise_or.reduce(rows.compared, initial=0)).bit_count()
    one = np.zeros(int(hits.sum()), np.int32)
    shown = [log_values(one, value[news], bits) for value in (rows.wrong, rows.data & rows.compared)]
    return log_chances(hits, misses, (int(hits.sum()), int(misses.sum()))) + log_sum(shown) - math.log(2.0)


def _rival(story: Story, told: Sequence[tuple[int, float, int, int]]) -> Rival:
    rows = story.rows
    regions = [story.regions[r] for r, *_ in told]
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    for r, *_ in told:
        cells[story.study.cells.span(r)] = True
    wrong: NDArray[np.bool_] = cells[rows.cell] & (rows.wrong != 0)
    evidence = story.study.evidence
    bits = evidence.profile_facts.unwired
    lines = ", ".join(f"A{bit}" for bit in range(evidence.profile_facts.address_bits) if bits >> bit & 1)
    count, known = sum(one[2] for one in told), sum(one[3] for one in told)
    where = ", ".join(named(region) for region in regions)
    return Rival(
        fault="banked",
        scope="machine",
        lines=tuple(lines.split(", ")) if lines else (),
        region=told[0][0] if len(told) == 1 else None,
        log_prior=prior_of("banked", chips=False),
        log_own=sum(one[1] for one in told),
        explains=count,
        summary=f"{where}: more memory than the board file names answers there, told apart by {lines} alone, which "
        f"{'are' if ',' in lines else 'is'} not clipped",
        evidence=(f"{counted(known, 'wrong read')} of {count} give what was seen at the same address before",),
        next_step=f"Clip {lines}, or say in the board file what else answers there, and check again.",
        stops_judging=True,
        index=rows.index[wrong],
        taken=NotJudged(cells),
    )
