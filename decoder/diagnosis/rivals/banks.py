"""Memory that is switched in banks by something that was not told: whole blocks change at once, and back again."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals import banks_kernel as kernel
from busledger.decoder.diagnosis.rivals.rival import NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, named, span_of

__all__ = ["banked"]

_FEWEST = 6  # wrong reads: fewer show no banks
_PER_SWITCH = 2.0  # wrong reads that a switch of banks explains, at least: else anything would be banks


def banked(story: Story) -> Iterator[Rival]:
    """Regions, or the block of one in which reads are wrong, whose contents come and go together."""
    rows = story.rows
    for r in range(len(story.regions)):
        wrong = (rows.region == r) & (rows.wrong != 0)
        if np.count_nonzero(wrong) < _FEWEST:
            continue
        low, high = _block(story, r, wrong)
        cells = np.zeros(max(1, story.study.cells.total), np.bool_)
        span = story.study.cells.span(r)
        cells[span] = (story.address[span] >= low) & (story.address[span] <= high)
        inside = cells[rows.cell] & (rows.region == r)
        found = _follow(story, r, inside, (low, high), cells, wrong)
        if found is not None:
            yield found


def _block(story: Story, r: int, wrong: NDArray[np.bool_]) -> tuple[int, int]:
    """The smallest aligned power of two that holds every wrong read of a region."""
    address = story.address[story.rows.cell[wrong]]
    start, end = int(address.min()), int(address.max())
    size = 1 << story.study.cells.shift
    while start // size != end // size:
        size *= 2
    region = story.regions[r]
    low = start // size * size
    return max(region.start, low), min(region.end, low + size - 1)


def _follow(
    story: Story,
    r: int,
    inside: NDArray[np.bool_],
    block: tuple[int, int],
    cells: NDArray[np.bool_],
    wrong: NDArray[np.bool_],
) -> Rival | None:
    rows = story.rows
    total = max(1, story.study.cells.total)
    bank, said = np.zeros(len(rows), np.int8), np.zeros(len(rows), np.uint8)
    mark = np.zeros(total, np.int32)
    content, known = (np.zeros((kernel.MOST_BANKS, total), np.uint32) for _ in range(2))
    banks = int(
        kernel.follow(
            rows.cell, rows.is_write, rows.data, rows.sure, rows.lanes, inside, content, known, mark, bank, said
        )
    )
    switches = np.flatnonzero(said == kernel.SWITCHES)
    odd = int(np.count_nonzero(said == kernel.CONTRADICTS))
    hits = int(np.count_nonzero(wrong & inside)) - odd
    agrees = int(np.count_nonzero(said == kernel.AGREES))
    came_back = int(
        np.count_nonzero(wrong & (story.older & 1 == 1) & ((said == kernel.AGREES) | (said == kernel.SWITCHES)))
    )
    if banks < 2 or odd > hits // 20 or hits < _PER_SWITCH * len(switches) or len(switches) < 2:
        return None
    if came_back < max(3, hits // 10):
        return None
    latch, told = _latch(story, switches)
    # When it is switched has to be known for each switch: of the writes to the latch, or of all accesses.
    moments = len(switches) * math.log(max(2, int(np.count_nonzero(inside)) if latch is None else told))
    # What a bank holds where it was never seen has to be found out, also where it is what another bank was given.
    blank = (said == kernel.LEARNS) | (said == kernel.SWITCHES)
    blank[switches] = story.older[switches] & 1 == 0
    new = sum(int(lanes).bit_count() for lanes in rows.compared[blank])
    chips = story.has_chips(r)
    where = span_of(block)
    by = f"a write to {latch[0]:04X}" if latch is not None else "something that is not on the clips"
    rival_when = (
        f'when = {{ latch = 0x{latch[0]:04X}, space = "{"io" if latch[1] else "memory"}", value = 0 }}'
        if latch is not None
        else 'when = { line = "BANK0", level = 0 }'
    )
    region = story.regions[r]
    return Rival(
        fault="banked",
        scope="machine",
        region=r,
        addresses=block,
        log_prior=prior_of("banked", chips=chips),
        log_own=log_rate(agrees, odd, HARD) - moments - new * math.log(2.0),
        explains=hits,
        against=odd,
        summary=f"{where} is switched between {banks} banks by {by}: say so in the board file",
        evidence=(
            f"{counted(len(switches), 'time')} the contents change together, and what was held before comes back: "
            f"{counted(hits, 'wrong read')} explained, {odd} not",
            *((f"{told} of {len(switches)} changes follow a write to {latch[0]:04X}",) if latch is not None else ()),
        ),
        next_step=(
            f"Say in the board file which value of {latch[0]:04X} switches which bank in."
            if latch is not None
            else "Find the latch or line that switches the banks, clip it, and say in the board file which is which."
        ),
        propose=(
            "[[region]]",
            f'name = "{named(region)}_bank0"',
            f"start = 0x{block[0]:04X}",
            f"end = 0x{block[1]:04X}",
            f'kind = "{region.kind}"',
            rival_when,
        ),
        index=rows.index[wrong & inside],
        taken=NotJudged(cells),
    )


def _latch(story: Story, switches: NDArray[np.intp]) -> tuple[tuple[int, int] | None, int]:
    """((address, 1 for io) of the latch, changes that follow a write to it): the address outside all regions that is
    written between the last access of the bank before and the first of the bank after."""
    signs = story.study.evidence.signs
    if signs is None:
        return None, 0
    writes = signs.latches()
    if not len(writes.time):
        return None, 0
    inside = np.zeros(len(writes.time), np.bool_)
    for region in story.regions:
        if region.space != "io":
            inside |= (writes.address >= region.start) & (writes.address <= region.end) & (writes.io == 0)
    time, address, io = writes.time[~inside], writes.address[~inside], writes.io[~inside]
    rows = story.rows
    best: tuple[tuple[int, int] | None, int] = (None, 0)
    for key in np.unique(address << 1 | io):
        mine = time[(address << 1 | io) == key]
        # Of all writes to it, the last one before the switch must be fresh: later than the switch before.
        at = np.searchsorted(mine, rows.time[switches], side="right") - 1
        since = np.concatenate([[-1], rows.time[switches][:-1]])
        follows = int(np.count_nonzero((at >= 0) & (mine[np.maximum(at, 0)] > since)))
        # A counter that is written all the time would follow anything.
        if follows >= 0.9 * len(switches) and len(mine) <= 8 * len(switches) and follows > best[1]:
            best = ((int(key >> 1), int(key & 1)), follows)
    return best
