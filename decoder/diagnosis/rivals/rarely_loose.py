"""An address clip that is loose a few times only, too few for the walk of the program to tell (``dips``).

Each such access goes to the other side of the line, as from a card that takes the line wrongly at times, and is weighed
as that is: but in all regions alike, and clipped selects come as the line really was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP, SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.led_astray import log_led_astray
from busledger.decoder.diagnosis.rivals.rests import spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["rarely_loose"]

# Judged. Wrong reads: one may be anything; of many the walk tells, and replays would take long.
_FEWEST, _MOST = 2, 16
_SELECTS = 64  # bits of ``Rows.selected``


def rarely_loose(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival for each address line, at the level that explains more."""
    rows = story.rows
    if not _FEWEST <= np.count_nonzero(rows.wrong) <= _MOST:
        return
    for bit, line in signs.address_lines.items():
        if bit < story.study.cells.shift:
            continue
        partners = partners_of(story, bit)
        hit = either_side(story, partners)[0] == 1
        beside = _written_there(story, signs, bit, (rows.wrong != 0) & (partners[rows.cell] < 0))
        hit |= beside
        if np.count_nonzero(hit) < _FEWEST or _in_one_rest(signs, bit, rows.time[hit]):
            continue
        found = [_loose(story, signs, (bit, level), line, partners, beside) for level in (0, 1)]
        best = max((rival for rival in found if rival is not None), key=lambda rival: rival.log_own, default=None)
        if best is not None:
            yield best


def _in_one_rest(signs: CaptureSigns, bit: int, time: NDArray[np.int64]) -> bool:
    """Whether these moments lie in one rest of the line: then its clip is off, if anything."""
    return any(
        ((time >= span.first) & (time <= span.last)).all() for span in spans_of_rest(signs, signs.address_bit(bit))
    )


def _loose(
    story: Story,
    signs: CaptureSigns,
    at: tuple[int, int],
    line: str,
    partners: NDArray[np.int32],
    beside: NDArray[np.bool_],
) -> Rival | None:
    """``at``: the address bit, and the level at which its clip shows it; ``beside``: as ``_written_there`` has it."""
    rows = story.rows
    bit, level = at
    own, explained = log_led_astray(story, bit, level, 0, len(rows), seldom=True)
    explained &= rows.wrong != 0
    news = story.repeat != kernel.SAME
    acts = explained & news
    count = int(np.count_nonzero(acts))
    # What lies on the other side may be no region, and then anything; or what was written there is read here.
    shown_so = (story.address[rows.cell] >> bit & 1) == level
    left = (rows.wrong != 0) & ~explained & (partners[rows.cell] < 0)
    blind, written = left & shown_so, left & ~shown_so & beside
    if count + np.count_nonzero(written & news) < _FEWEST:
        return None
    # A program that writes a lot outside all regions leaves there by itself what a wrong read may give by chance.
    others = _could_be_here(story, signs, at) - int(np.count_nonzero(written & news))
    own += _log_more(story, count, (blind & news, written & news), shown_so, max(0, others))
    index = rows.index[explained | blind | written]
    shown = "high" if level else "low"
    return Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True) - math.log(2.0 * max(1, len(signs.names))),
        log_own=own + _log_selected(story, np.flatnonzero(acts), partners),
        explains=len(index),
        summary=f"the clip on {line} may be loose: {counted(count, 'wrong read')} give what is held at the "
        f"address that differs only in {line}, as if it were shown {shown} by mistake",
        evidence=("a card that takes this line wrongly at times would look the same where only its own reads tell",),
        next_step=f"Clean and reseat the clip on {line}, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )


def _written_there(
    story: Story, signs: CaptureSigns, bit: int, wrong: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which of the ``wrong`` reads, bool a row, give what was last written at the address with the line the other way,
    outside all regions and since the cell was written."""
    rows, writes = story.rows, signs.latches()
    found = np.zeros(len(rows), np.bool_)
    for row in np.flatnonzero(wrong):
        since = rows.time[story.since[row]] if story.since[row] >= 0 else -1
        there = (writes.address == story.address[rows.cell[row]] ^ (1 << bit)) & (writes.io == 0)
        there &= (writes.time > since) & (writes.time < rows.time[row])
        last = writes.data[there][-1:].astype(np.uint32)
        found[row] = bool(((last ^ rows.data[row]) & rows.compared[row] == 0).any())
    return found


def _could_be_here(story: Story, signs: CaptureSigns, at: tuple[int, int]) -> int:
    """How many writes outside all regions, shown with the line at that level, are of a cell that was read with the
    line the other way: each would be one of that cell had the clip been loose then."""
    rows, writes = story.rows, signs.latches()
    bit, level = at
    mine = (writes.io == 0) & (writes.address >> bit & 1 == level)
    read = np.unique(story.address[rows.cell[rows.compared != 0]])
    return int(np.count_nonzero(np.isin(writes.address[mine] ^ (1 << bit), read)))


def _log_more(
    story: Story,
    acts: int,
    more: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    shown_so: NDArray[np.bool_],
    others: int,
) -> float:
    """Log probability of wrong reads beside so many ``acts``: those that may give anything, and those that give what
    is known; ``shown_so``: rows that could be astray, as ``others`` could, writes outside all regions."""
    rows = story.rows
    missed = int(np.count_nonzero(shown_so & (rows.compared != 0) & (rows.wrong == 0)))
    count = acts + sum(int(np.count_nonzero(one)) for one in more)
    own = log_rate(count, missed + others, SOMETIMES) - log_rate(acts, missed, SOMETIMES)
    return own - int(np.bitwise_count(rows.compared[more[0]]).sum()) * math.log(2.0)


def _log_selected(story: Story, acts: NDArray[np.intp], partners: NDArray[np.int32]) -> float:
    """Log odds of what clipped selects showed in the accesses ``acts`` that lead to another region by the line."""
    rows = story.rows
    own, cell = rows.region[acts].astype(np.int64), partners[rows.cell[acts]]
    meant = np.searchsorted(np.array(story.study.cells.base), np.maximum(cell, 0), side="right") - 1
    seen, selected, odds = rows.selects_seen[acts], rows.selected[acts], 0
    for region, sign in ((meant, 1), (own, -1)):
        able = (cell >= 0) & (meant != own) & (region >= 0) & (region < _SELECTS)
        select = np.uint64(1) << np.where(able, region, 0).astype(np.uint64)
        able &= seen & select != 0
        odds += sign * int(2 * np.count_nonzero(able & (selected & select != 0)) - np.count_nonzero(able))
    return -LOG_SLIP * odds
