"""Two clips on selects that sit on each other's line: each comes for the other's region, and all reads are right."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP
from busledger.decoder.diagnosis.rivals.news import odd_selects
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named

__all__ = ["exchanged_pairs", "selects_exchanged"]

_FEW = 20  # accesses of each of the two: as many as strobes.py asks for of a select that rests
_SLIPS = 0.01  # of the accesses: those that are seen otherwise
_SELECTS = 64  # bits of ``Rows.selected``


def exchanged_pairs(story: Story) -> dict[tuple[int, int], int]:
    """Regions of which each has the other's select and not its own, in (nearly) every access; and in how many."""
    regions = story.regions[:_SELECTS]
    quiet = odd_selects(story)[:, 0] >= _FEW
    odd = [r for r, region in enumerate(regions) if region.select is not None and quiet[r]]
    found: dict[tuple[int, int], int] = {}
    # Two address clips exchanged lead to the other region as well, and show in the lines themselves.
    if len(odd) < 2 or story.study.evidence.exchanged is not None:
        return found
    rows = story.rows
    for one, two in combinations(odd, 2):
        if regions[one].select == regions[two].select:
            continue
        crossed = []
        for own, other in ((one, two), (two, one)):
            bits = [np.uint64(1 << r) for r in (own, other)]
            mine = (rows.region == own) & (rows.selects_seen & bits[0] != 0) & (rows.selects_seen & bits[1] != 0)
            there = mine & (rows.selected & bits[0] == 0) & (rows.selected & bits[1] != 0)
            count = int(np.count_nonzero(there))
            crossed.append(count if count >= (1.0 - _SLIPS) * np.count_nonzero(mine) else 0)
        if min(crossed) >= _FEW:
            found[one, two] = sum(crossed)
    return found


def selects_exchanged(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival for each such pair, where the reads of one of them come right: only the clips are crossed then."""
    pairs = exchanged_pairs(story)
    if not pairs:  # the story of every cell is told for whoever asks
        return
    rows = story.rows
    for (one, two), count in pairs.items():
        each = [rows.region == r for r in (one, two)]
        rights = [int(np.count_nonzero(mine & (rows.compared != 0) & (rows.wrong == 0))) for mine in each]
        sound = [10 * np.count_nonzero(mine & (rows.wrong != 0)) <= n for mine, n in zip(each, rights, strict=True)]
        right = sum(rights)
        lines = tuple(line for line in (story.regions[r].select for r in (one, two)) if line is not None)
        if not any(sound) or not set(lines) <= set(signs.names):
            continue
        yield Rival(
            fault="clips-exchanged",
            scope="clip",
            lines=lines,
            log_prior=prior_of("clips-exchanged", chips=True),
            log_own=0.0,
            explains=0,
            summary=f"the clips on {lines[0]} and {lines[1]} are exchanged: {lines[0]} comes for "
            f"{named(story.regions[two])} and {lines[1]} for {named(story.regions[one])}, in "
            f"{counted(count, 'access', 'accesses')}, and {counted(right, 'read')} of the two came back right",
            evidence=("a card whose decoder has the two exchanged works as well: look at the clips first",),
            next_step=f"Exchange the clips on {' and '.join(lines)} (or their lines in the wiring) and check again.",
            propose=("[wiring]", f"# exchange the channels of {lines[0]} and {lines[1]}"),
            stops_judging=True,
            log_seen=-LOG_SLIP * count,
            taken=Excused(rows.index[:0]),
        )
