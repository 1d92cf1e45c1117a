"""Memory that lost its contents at one moment: a dip of the supply, with the clock running."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.contents import log_woken
from busledger.decoder.diagnosis.replay.urns import log_filled
from busledger.decoder.diagnosis.replay.weighing import log_rate, log_sum
from busledger.decoder.diagnosis.rivals.blocks import Passages, passages, stabbed
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, moment

__all__ = ["contents_lost"]

# When _MANY was 8: all doubled at once, and all halved, no answer of seven cases changed (as in strobes.py).
_MANY = 5  # judged; cells: fewer that change at once are no power dip
_KEPT = 30  # judged; cells that keep their contents for one that loses them: a dip that spares more is none


def contents_lost(story: Story) -> Iterator[Rival]:
    """Many cells changed at one moment, all over the memory, and sound before and after."""
    rows = story.rows
    found = passages(story)
    ram = np.array([region.kind != "rom" for region in story.regions] or [True], np.bool_)
    found = found.take(ram[rows.region[found.row]])
    moment_row, count = stabbed(found)
    if count < _MANY or 2 * count < np.count_nonzero(found.changed):
        return
    moment_row, as_well = _fewest_across(found, moment_row)
    across = (found.before < moment_row) & (found.row >= moment_row)
    hit = found.row[across & found.changed]
    spared = found.row[across & ~found.changed & ~found.back]
    regions = np.unique(rows.region[hit])
    missed = int(np.count_nonzero(np.isin(rows.region[spared], regions)))
    if missed > _KEPT * len(hit):
        return
    explained = _with_repeats(story, hit, moment_row)
    chips = all(story.has_chips(int(r)) for r in regions)
    when = moment(story.seconds(int(rows.time[min(moment_row, len(rows) - 1)])))
    yield Rival(
        fault="contents-lost",
        scope="machine",
        region=int(regions[0]) if len(regions) == 1 else None,
        addresses=_hull(story, hit),
        log_prior=prior_of("contents-lost", chips=chips),
        log_own=_log_spared(story, hit, spared) + _woken(story, hit) - math.log(max(2, len(rows)) / as_well),
        explains=len(explained),
        against=missed,
        index=rows.index[explained],
        taken=Excused(rows.index[explained]),
        summary=f"the memory lost its contents at {when}, and is sound before and after: look at the supply",
        evidence=(
            f"{counted(len(hit), 'cell')} of {len(hit) + missed} that were read before and after it hold something "
            f"else, in {counted(len(regions), 'region')}",
            "what was written after that moment is read back right; or other memory was switched in then, and not back",
        ),
        next_step=f"Look at the supply with a scope around such a moment; check the capture in two halves "
        f"(--to {when.replace(' ', '')}, --from {when.replace(' ', '')}) to judge the chips.",
    )


def _log_spared(story: Story, hit: NDArray[np.intp], spared: NDArray[np.int64]) -> float:
    """Log probability of which of the cells read before and after show it. Regions are chips of their own, often on
    another card with a supply of its own: each goes through it or does not, one as likely as the other."""
    region, own = story.rows.region, 0.0
    for r in np.unique(region[np.concatenate([hit, spared])]):
        lost = int(np.count_nonzero(region[hit] == r))
        touched = _log_touched(story, lost, spared[region[spared] == r])
        own += (touched if lost else log_sum([touched, 0.0])) - math.log(2.0)
    return own


def _log_touched(story: Story, lost: int, spared: NDArray[np.int64]) -> float:
    """The same of a region that does not go through it: some share of its cells shows it; or none kept what it held,
    and those that hold the same wake up with it by chance."""
    some = log_rate(lost, len(spared), (1.0, 1.0))
    by_chance = -int(np.bitwise_count(story.rows.compared[spared]).sum()) * math.log(2.0)
    return log_sum([some, by_chance]) - math.log(2.0)


def _fewest_across(found: Passages, moment_row: int) -> tuple[int, int]:
    """The row at which the same cells changed, and the fewest others were read before and after: nothing else tells
    when it was between the last sound read and the first that shows it; and how many rows do as well."""
    across = (found.before < moment_row) & (found.row >= moment_row)
    changed = across & found.changed
    first, last = int(found.before[changed].max()) + 1, int(found.row[changed].min())
    if last <= first:
        return moment_row, 1
    rest = ~found.changed & ~found.back
    at = np.arange(first, last + 1)
    begun = np.searchsorted(np.sort(found.before[rest]), at, side="left")
    over = np.searchsorted(np.sort(found.row[rest]), at, side="left")
    spared = begun - over
    return int(at[spared.argmin()]), int(np.count_nonzero(spared == spared.min()))


def _hull(story: Story, hit: NDArray[np.intp]) -> tuple[int, int]:
    address = story.address[story.rows.cell[hit]]
    return int(address.min()), int(address.max())


def _with_repeats(story: Story, hit: NDArray[np.intp], moment_row: int) -> NDArray[np.intp]:
    """The wrong reads of what was lost then, until the cell is written again: each gives what the first one gave."""
    rows = story.rows
    total = max(1, story.study.cells.total)
    cells, gave = np.zeros(total, np.bool_), np.zeros(total, np.uint32)
    cells[rows.cell[hit]], gave[rows.cell[hit]] = True, rows.data[hit]
    later = (rows.wrong != 0) & cells[rows.cell] & (story.since < moment_row)
    later &= ((gave[rows.cell] ^ rows.data) & rows.compared) == 0
    later[:moment_row] = False
    return np.flatnonzero(later)


def _woken(story: Story, hit: NDArray[np.intp]) -> float:
    """``log_woken`` of what the rows ``hit`` show, region by region: each lane by itself, for each is a chip's, or all
    lanes alike, as those of one chip are; or a program left it in a bank that was switched in then, and not out."""
    rows = story.rows
    lanes = np.arange(story.study.data_bits, dtype=np.uint32)
    own = 0.0
    for r in np.unique(rows.region[hit]):
        mine = hit[rows.region[hit] == r]
        address = story.address[rows.cell[mine]] >> story.study.cells.shift
        bits = max(1, int(story.study.cells.size[r] - 1).bit_length())
        seen = (rows.compared[mine, None] >> lanes & 1) == 1
        high = (rows.data[mine, None] >> lanes & 1) == 1
        each = sum(log_woken(address[seen[:, k]], high[seen[:, k], k], bits) for k in range(len(lanes)))
        alike = log_woken(np.broadcast_to(address[:, None], seen.shape)[seen], high[seen], bits)
        left = log_filled(rows.data[mine] & rows.compared[mine], int(np.bitwise_or.reduce(rows.compared[mine])))
        own += log_sum([each, alike, left]) - math.log(3.0)
    return own
