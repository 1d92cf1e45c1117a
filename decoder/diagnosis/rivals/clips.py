"""Clips that have come off: a line that never moves, or stops moving, while the bus goes on.

A line of the card that is open or stuck leaves the bus line moving: writes by the processor, fetches and what other
cards answer still show both levels. A clip that is off takes the line away for all traffic alike. That is what parts
the two, and it is weighed, not assumed: every transfer outside the card's own reads that shows no other level is a
chance at which a card's fault would have been found out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns, Rest
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import HARD, LOG_SLIP, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.led_astray import log_led_astray
from busledger.decoder.diagnosis.rivals.moved_over import Moved, moved_over
from busledger.decoder.diagnosis.rivals.news import nothing_wrong
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, log_sides, partners_of, walks
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, look_at, moment

__all__ = ["WHEN", "clips_off", "log_rest", "prior_of_line", "spans_of_rest"]

# Judged, where no reason stands beside a figure: a clip is only believed off where a program could hardly be the cause.
# All doubled at once change no first line of ten cases (as in sampling.py).
_FEW = 200  # transfers: a program's loop may leave a line alone for so long
_EVERYWHERE = 9.0
"""Nats at most that a data line at rest in all traffic adds: the line itself, stuck, would look the same, and no
program would run for long with it."""
_HARDLY, _HARDLY_AT_MOST = 2.0, 15.0  # nats of an address line that never moves: programs stay in one half, too
_ODD = 2.5  # of them: so many places are used on one side alone that the other may have been seen there
WHEN = (math.log(0.7), math.log(0.25), math.log(0.05))  # of clips off: always, from some moment on, for a while
_LOOPS = 10.0  # transfers that a program's loop makes of one choice
_EXPECTED = 20.0  # changes that the rest of the capture lets expect
_LONGER = 3.0  # times the longest other rest of the line: programs have phases, too
_CELLS = 5
_UNTOLD = 0.25  # wrong reads of which one side is not known, for one that the two sides explain. Judged
_MOVED = 10.0  # nats of bytes that are those of another place: what three places of a program have in common by chance
_OTHERS = 0.25  # wrong reads before the clip came off, for one since: of another cause. Judged
_A_READ = 6.0  # nats that a wrong read more or less explained is worth where two ways to play a clip are compared
_WALKED = 100.0  # changes expected of a line at rest, where nothing else speaks of its clip
_TOGETHER = 0.1  # of the rest: a loop is entered within a few of its turns
_PAGE_BITS = 8
# By how much longer rests are rarer, for lines that programs walk through wherever they are: of 63 low address lines of
# sound cards 3 rested twice as long as ever else, 2 five times, 1 ten times. Data lines and high ones: one in two, one
# in two, one in three, for their data may be the same for a whole phase.
_TAIL = 2
_TWO_VALUES, _HELD_VALUES = 2, 4  # different levels of the other lines, so that the bus was at work


@dataclass(frozen=True)
class _Span:
    """A rest of one bit: ``first``, ``last`` ticks, transfers in it, changes expected there by the rest of the capture
    (None where it never moved); ``alone``: no other rest of the line is nearly as long; ``log_odds``: of a clip that
    is off just then against a program that rests the line so, before any read is looked at."""

    first: int
    last: int
    transfers: int
    expected: float | None
    to_end: bool
    alone: bool
    log_odds: float


def clips_off(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Rivals for data lines and address lines."""
    for bit, line in signs.data_lines.items():
        for span in spans_of_rest(signs, signs.data_bit(bit)):
            yield from _data(story, signs, bit, line, span)
    for bit, line in signs.address_lines.items():
        for span in spans_of_rest(signs, signs.address_bit(bit), _TAIL if bit < _PAGE_BITS else 1):
            yield from (one for one in _address(story, bit, line, span) if one.explains or _stopped_alone(signs, span))


def _stopped_alone(signs: CaptureSigns, span: _Span) -> bool:
    """Whether no other line stopped when this one did: a program that has come to its last loop leaves several be."""
    low = [bit for bit in signs.address_lines if bit < _PAGE_BITS]
    rests = [*map(signs.data_bit, signs.data_lines), *map(signs.address_bit, low)]
    near = _TOGETHER * (span.last - span.first)
    stops = [s.first for rest in rests for s in spans_of_rest(signs, rest) if s.to_end and s.expected is not None]
    return sum(abs(first - span.first) <= near for first in stops) < 2


def spans_of_rest(signs: CaptureSigns, rest: Rest, tail: int = 1) -> Iterator[_Span]:
    """The rests of a bit that are long enough to be looked at: to the end of the capture, and the longest between, of
    which that of a clip that was off for a while need not be the longest. ``tail``: see ``log_rest``."""
    end = signs.span[1]
    if rest.of < _FEW:
        return
    if rest.moves == 0:
        yield _Span(signs.span[0], end, rest.of, None, True, True, WHEN[0])
        return
    between = rest.rests or ((rest.quiet, rest.quiet_from, rest.quiet_to),)
    looked_at = [(rest.after, rest.since, end, True, rest.quiet)]
    for k, (transfers, first, last) in enumerate(between):
        looked_at.append((transfers, first, last - 1, False, max(rest.after, rest.quiet if k else rest.second)))
    for transfers, first, last, to_end, other in looked_at:
        others = rest.of - transfers
        expected = transfers * rest.moves / max(1, others)
        if transfers >= _FEW and expected >= _EXPECTED:
            odds = WHEN[1 if to_end else 2] + log_rest(transfers, other, rest.of, tail)
            yield _Span(first, last, transfers, expected, to_end, transfers >= _LONGER * other, odds)


def log_rest(transfers: int, other: int, of: int, tail: int = 1) -> float:
    """Log odds of a rest of ``transfers`` out of ``of``, where the line's longest other one has ``other``.

    A clip that is off begins and ends anywhere, so that every length is as likely, 1 / of. Rests that a program makes
    (phases of a test, loops) have no scale of their own: one of them is longer than t with a chance of about
    (other / t)^tail, which is the density tail · other^tail / t^(tail + 1). Where in the capture the rest lies costs
    both alike.
    """
    longer = transfers / float(max(1, other))
    return math.log(longer**tail * transfers / (tail * max(1, of)))


def prior_of_line(story: Story) -> float:
    """Log prior of a clip that is off, for any one of the clipped lines."""
    signs = story.study.evidence.signs
    return prior_of("clip-off", chips=True) - math.log(max(1, len(signs.names) if signs is not None else 1))


def _data(story: Story, signs: CaptureSigns, bit: int, line: str, span: _Span) -> Iterator[Rival]:
    rows = story.rows
    lane = np.uint32(1 << bit)
    inside = (rows.time >= span.first) & (rows.time <= span.last)
    seen = inside & (rows.sure & lane != 0)
    if np.count_nonzero(seen) < 0.8 * np.count_nonzero(inside):
        return
    wrong = inside & (rows.wrong & lane != 0)
    # After the clip is back, what was written without it is still known wrongly, until it is written again.
    began, ended = np.searchsorted(rows.time, [span.first, span.last + 1])
    wrong |= (rows.wrong == lane) & (rows.time > span.last) & (story.since >= began) & (story.since < ended)
    hits = int(np.count_nonzero(wrong))
    # A test writes two patterns for a long time; that the lane is wrong beside others that move says enough.
    if len(np.unique(rows.data[seen] & ~lane)) < (_TWO_VALUES if hits else _HELD_VALUES):
        return
    reads = int(np.count_nonzero(seen & ~rows.is_write))
    level = int((rows.data[seen][-1] >> np.uint32(bit)) & 1)
    right = int(np.count_nonzero(inside & (rows.compared & lane != 0) & (rows.wrong & lane == 0)))
    elsewhere = max(0, span.transfers - reads)
    if not hits and (span.expected is not None or elsewhere < _FEW):
        return
    # The last change may lie in a transfer that still had the clip.
    against = int(np.count_nonzero(seen & (((rows.data >> np.uint32(bit)) & 1) != level)))
    if against > 1:
        return
    odds = span.log_odds
    if span.expected is None:
        odds += min(_EVERYWHERE, elsewhere / _LOOPS * math.log(2.0))
        # It foretells what cells show that nobody wrote to before, as the line itself does, stuck.
        does = lanes_kernel.HIGH if level else lanes_kernel.LOW
        odds += story.first_reads.log_gain(LaneFault(does, int(lane), story.study.card.compared)) if hits else 0.0
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=log_rate(hits, against, HARD) + odds,
        explains=hits,
        against=against,
        summary=_came_off(story, line, span, "the other data lines did"),
        evidence=(
            f"{line} is {'high' if level else 'low'} in reads and writes of every region and outside them alike: "
            f"{counted(elsewhere, 'transfer')} that no part of the card answers show it too",
            f"{counted(right, 'read')} came right on {line} in that time, all of them {'high' if level else 'low'}",
        ),
        next_step=look_at(line),
        stops_judging=True,
        index=rows.index[wrong],
        taken=Both(NotJudged(None, (span.first, span.last), int(lane)), Excused(rows.index[wrong], int(lane))),
    )


def _address(story: Story, bit: int, line: str, span: _Span) -> Iterator[Rival]:
    cells = story.study.cells
    if bit < cells.shift:
        return
    moved = _moved(story, bit, span)
    if moved.log > _MOVED:
        yield _gone_on_beside(story, line, span, moved)
    if nothing_wrong(story):
        yield from _at_rest(story, bit, line, span)
        return
    rows, total = story.rows, max(1, cells.total)
    first = int(np.searchsorted(rows.time, span.first, side="right" if span.expected is not None else "left"))
    last = int(np.searchsorted(rows.time, span.last, side="right"))
    wrong = np.count_nonzero(rows.wrong[first:last])
    if not wrong:
        yield from _at_rest(story, bit, line, span)
    if np.count_nonzero(rows.wrong[first:]) < 3:
        return
    if np.count_nonzero(rows.wrong[:first]) > _OTHERS * np.count_nonzero(rows.wrong[first:]):
        return  # there would be another cause beside it
    partners = partners_of(story, bit)
    one_side = _log_one_side(story, bit) if span.expected is None else 0.0
    if one_side > _ODD:  # both sides have been seen at one address all the time
        partners = np.where(partners < 0, np.arange(total, dtype=np.int32), partners)
    hit, open_ = either_side(story, partners, first)
    # After the clip is back, what was written without it is still in the wrong place, until it is written again.
    lost = np.zeros(total, np.bool_)
    lost[rows.cell[first:last][rows.is_write[first:last]]] = True
    lost |= lost[partners] & (partners >= 0)
    hit[last:][(story.since[last:] >= last) | ~lost[rows.cell[last:]]] = 0
    told = int(np.count_nonzero(hit == 1))
    if told < 3 or np.count_nonzero(hit[first:last]) < 0.6 * wrong:
        return
    if span.expected is not None and np.count_nonzero(hit == 2) > _UNTOLD * told:
        return  # while the line moved both sides were seen
    if len(np.unique(rows.cell[hit == 1])) < min(_CELLS, 1 + told // 2) and moved.log <= _MOVED:
        return  # a clip bends all cells alike, not the one that something else is wrong with
    ways = [_sides(story, bit, (first, last), hit, open_, lost), _led_astray(story, bit, (first, last))]
    left = [_A_READ * np.count_nonzero((rows.wrong != 0) & ~explained) for _, explained in ways]
    weighed = [own - more for (own, _), more in zip(ways, left, strict=True)]
    best = int(np.argmax(weighed))
    explained = ways[best][1]
    own = log_sum(weighed) + left[best] - math.log(len(ways)) + span.log_odds + one_side
    own -= LOG_SLIP * _selected_there(story, partners, first, last, hit[first:last] == 1)
    hits = int(np.count_nonzero(explained))
    index = rows.index[np.flatnonzero(explained)]
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=own,
        explains=hits,
        summary=_came_off(story, line, span, "the program used both halves"),
        evidence=(
            f"{counted(told, 'wrong read')} give what was last written on the other side of {line}: two cells show "
            "under one address",
            f"an address line that is open on the card would leave {line} moving on the bus",
        ),
        next_step=look_at(line),
        stops_judging=True,
        index=index,
        taken=Both(NotJudged(None, (span.first, span.last)), Excused(index)),
    )


def _moved(story: Story, bit: int, span: _Span) -> Moved:
    """What the program read beside its memory; of a line that never moves a mirror may be all that it uses."""
    if story.read_beside is None:
        return Moved(0, 0, 0.0)
    found = moved_over(story, story.read_beside, bit, span.first, span.last)
    return found if span.expected is not None else found._replace(log=min(found.log, _HARDLY_AT_MOST))


def _gone_on_beside(story: Story, line: str, span: _Span, moved: Moved) -> Rival:
    own = f"{counted(moved.same, 'byte')} read beside the memory are its own"
    return Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=0.0,
        explains=0,
        summary=f"{_came_off(story, line, span, 'the program went on')}, and {own}",
        evidence=(
            f"of {counted(moved.cells, 'address', 'addresses')} that were read in that time alone {moved.same} give "
            f"what lies at the address with {line} at its other level",
        ),
        next_step=look_at(line),
        stops_judging=True,
        log_seen=span.log_odds + moved.log,
        taken=NotJudged(None, (span.first, span.last)),
    )


def _sides(
    story: Story, bit: int, span: tuple[int, int], hit: NDArray[np.uint8], open_: NDArray[np.uint8],
    lost: NDArray[np.bool_],
) -> tuple[float, NDArray[np.bool_]]:  # fmt: skip
    """(log probability, wrong reads explained): each read is of one of the two cells under its address, whatever was
    last seen of either; ``hit``, ``open_`` as ``either_side``, ``lost`` the cells written in the rows of ``span``."""
    rows = story.rows
    first, last = span
    unknown = hit == 2
    # Nothing is judged in that time, so that wrong reads which the other side does not give have their price here.
    unknown[first:last] |= (rows.wrong[first:last] != 0) & (hit[first:last] == 0)
    own = -sum(int(lanes).bit_count() for lanes in rows.compared[unknown]) * math.log(2.0)
    # A write in that time went to one side or the other, as reads of its cell tell later.
    telling = np.zeros(len(rows), np.bool_)
    telling[first:last] = True
    telling[last:] = (story.since[last:] < last) & lost[rows.cell[last:]]
    kind = story.going_on | np.where(story.repeat == kernel.FIRST, 4, 0).astype(np.uint8)
    walk = walks(story, bit, hit, open_)
    for r in np.unique(rows.region):
        mine = telling & (rows.region == r)
        own += log_sides(rows.cell[mine], hit[mine] != 0, open_[mine] != 0, kind[mine], rows.window[mine], walk[mine])
    return own, hit != 0


def _led_astray(story: Story, bit: int, span: tuple[int, int]) -> tuple[float, NDArray[np.bool_]]:
    """The same, each access going to one side or the other, as if the line were stuck at times."""
    rows = story.rows
    first, last = span
    level = int(story.address[rows.cell[first]] >> bit & 1)
    own, explained = log_led_astray(story, bit, level, first, last)
    unknown = (rows.wrong[first:last] != 0) & ~explained[first:last]
    return own - sum(int(lanes).bit_count() for lanes in rows.compared[first:last][unknown]) * math.log(2.0), explained


def _log_one_side(story: Story, bit: int) -> float:
    """Nats that a line which never moves adds: of each place that the lines above it tell apart, a program would have
    used the same half by chance."""
    rows, signs = story.rows, story.study.evidence.signs
    used = [story.address[np.unique(rows.cell)]]
    if signs is not None:
        outside = signs.latches()
        used.append(outside.address[outside.io == 0])
    places = len(np.unique(np.concatenate(used) >> (bit + 1)))
    return max(_HARDLY, min(_HARDLY_AT_MOST, (places - 1) * math.log(2.0)))


def _at_rest(story: Story, bit: int, line: str, span: _Span) -> Iterator[Rival]:
    """An address line that moved all the time and stands still to the end, though no read came out wrong by it."""
    if span.expected is None or not span.to_end or not span.alone:
        return
    # Programs walk through the low lines wherever they are; the high ones they may leave alone for good.
    if bit >= _PAGE_BITS or span.expected < _WALKED or not _gone_past(story, line):
        return
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-off", chips=True),
        log_own=0.0,
        explains=0,
        summary=_came_off(story, line, span, "the other lines did", "may have come off"),
        evidence=(
            "no other rest of this line is a third as long, and the addresses went past it as they did before",
        ),
        next_step=look_at(line),
        stops_judging=True,
        taken=NotJudged(None, (span.first, span.last)),
    )


def _gone_past(story: Story, line: str) -> bool:
    """Whether the channels' own check saw steps past the line, without which its rest is that of a program's loop."""
    probes = story.study.evidence.probes
    doubts = [f for f in probes.findings if f.code == "clip-off" and f.weight == "doubt"] if probes is not None else []
    rested = {line_of for f in doubts for line_of in f.lines}
    channels = probes.channels if probes is not None else ()
    return any(health.channel in rested and (health.line or health.channel) == line for health in channels)


def _selected_there(
    story: Story, partners: NDArray[np.int32], first: int, last: int, hit: NDArray[np.bool_]
) -> int:
    """Accesses for which the clipped select of the region on the line's other side came, and not the one of the region
    that the clips say: a decoder that is wired straight shows so what the line really was. Less those ``hit`` for which
    the select of that region did come, though their data are the other side's."""
    rows = story.rows
    own = rows.region[first:last].astype(np.int64)
    cell = partners[rows.cell[first:last]]
    other = np.searchsorted(np.array(story.study.cells.base), np.maximum(cell, 0), side="right") - 1
    able = (cell >= 0) & (other != own) & (own >= 0) & (own < 64) & (other < 64)
    seen, selected = rows.selects_seen[first:last], rows.selected[first:last]
    one, two = (np.uint64(1) << np.where(able, r, 0).astype(np.uint64) for r in (own, other))
    told = able & (seen & one != 0) & (seen & two != 0)
    there, here = told & (selected & two != 0), told & (selected & one != 0)
    return int(np.count_nonzero(there & ~here)) - int(np.count_nonzero(here & ~there & hit))


def _came_off(story: Story, line: str, span: _Span, while_: str, how: str = "has come off") -> str:
    if span.expected is None:
        return f"the clip on {line} {how}: it never moved in {counted(span.transfers, 'cycle')} while {while_}"
    since = moment(story.seconds(span.first))
    if span.to_end:
        return (
            f"the clip on {line} {how} at {since}: it did not move in {counted(span.transfers, 'cycle')} since, "
            f"where {span.expected:.0f} changes would be expected"
        )
    return (
        f"the clip on {line} was off from {since} to {moment(story.seconds(span.last))}: it did not move in "
        f"{counted(span.transfers, 'cycle')}, where {span.expected:.0f} changes would be expected"
    )
