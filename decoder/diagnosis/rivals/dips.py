"""An address clip that loses its level now and then, for as long as an access or two: a loose contact.

The read gives what lies at the address with the line's other level, as from a card that takes the line wrongly now and
then. What parts the two is the processor: it counts on from the address that it gave. A card's fault leaves the
addresses on the bus as they were; a clip shows one out of line between two that follow each other with the other level,
in all traffic, whatever is read there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import log_chances, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.fillings import log_turns
from busledger.decoder.diagnosis.rivals.rests import spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.walking import OutOfLine, Walk, walks
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["dips"]

_TELLS = 3.0  # nats; judged: what the addresses have to say of it themselves, at the least
_FEW = 3  # reads that go on so, at the least
_NEARLY_ALL = 0.9  # of the wrong reads


def dips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Rivals for address lines."""
    rows = story.rows
    wrong = rows.wrong != 0
    if np.count_nonzero(wrong) < _FEW:
        return
    lines = [
        (bit, line)
        for bit, line in signs.address_lines.items()
        if bit >= story.study.cells.shift and not _at_rest(signs, bit, rows.time[wrong]) and _may_be(story, bit)
    ]
    seen = walks(story) if lines else ()
    for bit, line in lines:
        best = max((one for walk in seen for one in walk.by_line(bit)), key=lambda one: one.log_odds)
        found = list(_dip(story, bit, line, len(signs.names), seen[0], best))
        yield from found
        if not found and len(best.out) >= _FEW and best.log_odds >= _TELLS:
            yield from _out_of_line(story, bit, line, len(signs.names), best)


def _may_be(story: Story, bit: int) -> bool:
    """Whether half of the wrong reads at the least give what lies on the line's other side, as all ideas here ask."""
    hit, _ = either_side(story, partners_of(story, bit))
    return 2 * int(np.count_nonzero(hit == 1)) >= int(np.count_nonzero(story.rows.wrong))


def _joined(
    best: OutOfLine, news: NDArray[np.int64], open_: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """(ticks of the chances of the line, in their order, and whether it was astray): reads that came wrong at the ticks
    ``news``, or right at those of ``open_``, and accesses that came out of line or did not. A loose clip asks nobody
    what is read, so they have one rate."""
    acts = np.union1d(news, best.out)
    time = np.union1d(np.union1d(open_, best.in_line), acts)
    return time, np.isin(time, acts)


def _out_of_line(story: Story, bit: int, line: str, lines: int, best: OutOfLine) -> Iterator[Rival]:
    """By accesses out of line, whatever they read; ``lines`` clipped in all."""
    rows = story.rows
    wrong = rows.wrong != 0
    hit, open_ = either_side(story, partners_of(story, bit))
    asked = rows.time[open_ != 0]
    hits, count = int(np.count_nonzero(hit == 1)), int(np.count_nonzero(wrong))
    if np.count_nonzero(wrong & (hit != 0)) < _NEARLY_ALL * count or 2 * hits < count:
        return
    # The few others may give anything: an access in which the contact opens or closes is of neither side.
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[wrong & (hit != 1)]) * math.log(2.0)
    news = wrong & (story.repeat != kernel.SAME)
    own = log_turns(_joined(best, rows.time[news], asked)[1]) - unknown - math.log(2.0) + best.log_told
    index = rows.index[wrong]
    shown = "high" if best.level else "low"
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True) - math.log(max(1, lines)),
        log_own=own,
        explains=len(index),
        summary=f"the clip on {line} is loose: at times it shows {shown} whatever the line is, in "
        f"{counted(len(best.out), 'access', 'accesses')} between two that follow each other with {line} the other way",
        evidence=(
            f"{counted(hits, 'wrong read')} give what lies at the address with {line} the other way",
            "a fault of the card would leave the addresses on the bus as they are",
        ),
        next_step=f"Clean and reseat the clip on {line}, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )


def _log_spells(
    rows: Rows, news: NDArray[np.bool_], open_: NDArray[np.bool_], acts: int, missed: int
) -> float:
    """Log probability of when the clip was loose: ``acts`` times, of which the rows ``news`` show when, and not in
    ``missed``, of which the rows ``open_`` do."""
    hits, misses = (np.bincount(rows.window[kind], minlength=WINDOWS).astype(np.float64) for kind in (news, open_))
    hits *= acts / max(1.0, hits.sum())
    misses *= missed / max(1.0, misses.sum())
    return log_chances(hits, misses, (acts, missed))


def _at_rest(signs: CaptureSigns, bit: int, time: NDArray[np.int64]) -> bool:
    """Whether nearly all of those moments lie in one rest of the line: then its clip is off, and not loose."""
    return any(
        np.count_nonzero((time >= span.first) & (time <= span.last)) >= _NEARLY_ALL * len(time)
        for span in spans_of_rest(signs, signs.address_bit(bit))
    )


def _dip(story: Story, bit: int, line: str, lines: int, walk: Walk, best: OutOfLine) -> Iterator[Rival]:
    """By wrong reads after which the program goes on with the line the other way; ``lines`` clipped in all."""
    rows = story.rows
    wrong = rows.wrong != 0
    hit, open_ = either_side(story, partners_of(story, bit))
    hits = int(np.count_nonzero(hit == 1))
    if hits < _NEARLY_ALL * np.count_nonzero(wrong):
        return
    news = wrong & (story.repeat != kernel.SAME)
    odds, turns, right = walk.put_right(bit, rows.time[hit == 1])
    if odds < _TELLS:
        return
    when = rows.time[wrong]
    time, astray = _joined(best, rows.time[news], rows.time[open_ != 0])
    inside = astray[(time >= when[0]) & (time <= when[-1])]
    acts, missed = int(np.count_nonzero(inside)), int(np.count_nonzero(~inside))
    ways = [_log_spells(rows, news, open_ != 0, acts, missed), *(_log_shown(story, bit, level) for level in (0, 1))]
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[news & (hit != 1)]) * math.log(2.0)
    own = log_sum(ways) - math.log(len(ways)) - unknown + odds
    index = rows.index[wrong]
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True) - math.log(max(1, lines)),
        log_own=own,
        explains=len(index),
        summary=f"the clip on {line} is loose: {counted(hits, 'wrong read')} give what lies at the address with "
        f"{line} the other way, and the program goes on from there",
        evidence=(
            f"{counted(turns, 'time', 'times')} it goes on with {line} the other way where it else goes on as it was, "
            f"{counted(right, 'time', 'times')} if they are put right: a fault of the card would leave the addresses "
            "on the bus as they are",
        ),
        next_step=f"Clean and reseat the clip on {line}, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )


def _log_shown(story: Story, bit: int, level: int) -> float:
    """Log probability of when a clip was loose that shows ``level`` then, by turns: each access that it shows at the
    other level is one that it was not, and of what it shows at that level only a wrong read was at the other one."""
    rows = story.rows
    wrong = rows.wrong != 0
    shown_so = (story.address[rows.cell] >> bit & 1) == level
    # What is shown right, and wrong all the same, was written astray: which of the contents it was has to be known.
    astray = wrong & ~shown_so & (story.repeat != kernel.SAME)
    which = int(np.count_nonzero(astray)) * math.log(kernel.SIDES)
    return log_turns(wrong[wrong | ~shown_so]) - which
