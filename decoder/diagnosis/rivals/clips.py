"""Clips that have come off: a line that never moves, or stops moving, while the bus goes on.

A line of the card that is open or stuck leaves the bus line moving: writes by the processor, fetches and what other
cards answer still show both levels. A clip that is off takes the line away for all traffic alike. That is what parts
the two, and it is weighed, not assumed: every transfer outside the card's own reads that shows no other level is a
chance at which a card's fault would have been found out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay import lanes_kernel
from busledger.decoder.diagnosis.replay.theory import LaneFault
from busledger.decoder.diagnosis.replay.weighing import HARD, LOG_SLIP, SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.carried_over import log_carried_over, taken_amiss, written_amiss
from busledger.decoder.diagnosis.rivals.led_astray import log_led_astray
from busledger.decoder.diagnosis.rivals.lines import stretches
from busledger.decoder.diagnosis.rivals.moved_over import Moved, moved_over
from busledger.decoder.diagnosis.rivals.news import nothing_wrong, odd_selects
from busledger.decoder.diagnosis.rivals.rests import FEW, Span, came_off, prior_of_line, spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, log_sides, partners_of, selected_there, walks
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.walking import log_gone_past
from busledger.decoder.diagnosis.rivals.words import counted, look_at
from busledger.decoder.diagnosis.rivals.written_without import log_written_without

__all__ = ["clips_off"]

# Judged, where no reason stands beside a figure: a clip is only believed off where a program could hardly be the cause.
# All doubled at once change no first line of ten cases (as in sampling.py).
_EVERYWHERE = 9.0
"""Nats at most that a data line at rest in all traffic adds: the line itself, stuck, would look the same, and no
program would run for long with it."""
_HARDLY, _HARDLY_AT_MOST = 2.0, 15.0  # nats of an address line that never moves: programs stay in one half, too
_ODD = 2.5  # of them: so many places are used on one side alone that the other may have been seen there
_CUT = 3.0  # nats of memory that traffic alone tells of, with a hole as large as the line's half between all its pieces
_LOOPS = 10.0  # transfers that a program's loop makes of one choice
_CELLS = 5
_TOLD = 2  # wrong reads that give what the other side of the line holds: one may be anything
_SLIPS = 2  # by which one select seems to come that should not, and one not to come that should
_FEW_SELECTED = 20  # accesses: as many as strobes.py asks for of a select that rests
_UNTOLD = 0.5  # wrong reads of which one side is not known, for one that the two sides explain. Judged
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


def clips_off(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Rivals for data lines and address lines."""
    for bit, line in signs.data_lines.items():
        for span in spans_of_rest(signs, signs.data_bit(bit)):
            yield from _data(story, signs, bit, line, span)
    odd = bool(odd_selects(story).max() >= _FEW_SELECTED)
    for bit, line in signs.address_lines.items():
        for span in spans_of_rest(signs, signs.address_bit(bit), _TAIL if bit < _PAGE_BITS else 1):
            found = _address(story, bit, line, span, selects=odd)
            yield from (one for one in found if one.explains or _stopped_alone(signs, span))


def _stopped_alone(signs: CaptureSigns, span: Span) -> bool:
    """Whether no other line stopped when this one did: a program that has come to its last loop leaves several be."""
    low = [bit for bit in signs.address_lines if bit < _PAGE_BITS]
    rests = [*map(signs.data_bit, signs.data_lines), *map(signs.address_bit, low)]
    near = _TOGETHER * (span.last - span.first)
    stops = [s.first for rest in rests for s in spans_of_rest(signs, rest) if s.to_end and s.expected is not None]
    return sum(abs(first - span.first) <= near for first in stops) < 2


def _data(story: Story, signs: CaptureSigns, bit: int, line: str, span: Span) -> Iterator[Rival]:
    if span.expected is not None and nothing_wrong(story):  # a program's own rest, whatever its cells show
        return
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
    if not hits and (span.expected is not None or elsewhere < FEW):
        return
    # The last change may lie in a transfer that still had the clip.
    against = int(np.count_nonzero(seen & (((rows.data >> np.uint32(bit)) & 1) != level)))
    if against > 1:
        return
    odds = span.log_odds
    if span.expected is None:
        # Code that comes wrong on it, and is run as it should be, tells as much.
        code = np.array([region.kind == "rom" for region in story.regions] or [False], np.bool_)[rows.region]
        run_well = int(np.count_nonzero(wrong & code))
        odds += min(_EVERYWHERE, (elsewhere + run_well) / _LOOPS * math.log(2.0))
        # It foretells what cells show that nobody wrote to before, as the line itself does, stuck.
        does = lanes_kernel.HIGH if level else lanes_kernel.LOW
        odds += story.first_reads.log_gain(LaneFault(does, int(lane), story.study.card.compared)) if hits else 0.0
    lanes, unknown = int(lane), 0
    if line in signs.address_lines.values():  # it carries both in turn, so that addresses came wrong as well
        beside = taken_amiss(story, span.first, span.last) & ~wrong
        unknown = int(np.bitwise_count(rows.compared[beside & (story.repeat != kernel.SAME)]).sum())
        of_line = next(one for one, name in signs.address_lines.items() if name == line)
        there, not_there = written_amiss(story, of_line, int(lane), span.first, span.last)
        there &= ~wrong & ~beside
        more = int(np.count_nonzero(there & (story.repeat != kernel.SAME)))
        unknown += more  # the lane of the line itself
        odds += log_rate(more, not_there, SOMETIMES) if more else 0.0
        wrong, lanes = wrong | beside | there, 0xFFFFFFFF
    else:
        odds += log_written_without(story, lane, span.first, span.last)
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=log_rate(hits, against, HARD) + odds - unknown * math.log(2.0),
        explains=int(np.count_nonzero(wrong)),
        against=against,
        summary=came_off(story, line, span, "the other data lines did"),
        evidence=(
            f"{line} is {'high' if level else 'low'} in reads and writes of every region and outside them alike: "
            f"{counted(elsewhere, 'transfer')} that no part of the card answers show it too",
            f"{counted(right, 'read')} came right on {line} in that time, all of them {'high' if level else 'low'}",
        ),
        next_step=look_at(line),
        stops_judging=True,
        index=rows.index[wrong],
        taken=Both(NotJudged(None, (span.first, span.last), lanes), Excused(rows.index[wrong], lanes)),
    )


def _address(story: Story, bit: int, line: str, span: Span, *, selects: bool = True) -> Iterator[Rival]:
    """``selects``: some came where they should not, or the other way round."""
    found = list(_of_address(story, bit, line, span))
    yield from found
    if selects and not any(one.explains for one in found):
        yield from _selected_beside(story, bit, line, span)


def _of_address(story: Story, bit: int, line: str, span: Span) -> Iterator[Rival]:
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
    if np.count_nonzero(rows.wrong[first:]) < _TOLD:
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
    of_another = np.count_nonzero(rows.wrong[:first]) + np.count_nonzero((rows.wrong[last:] != 0) & (hit[last:] == 0))
    if span.expected is not None and of_another > _OTHERS * told:
        return  # what makes those wrong may make all of them wrong
    if told < _TOLD or np.count_nonzero(hit[first:last]) < 0.6 * wrong:
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
    there, here = selected_there(story, partners, first, last)
    own -= _SLIPS * LOG_SLIP * (np.count_nonzero(there) - np.count_nonzero(here & (hit[first:last] == 1)))
    if span.expected is not None:
        own += log_carried_over(story, bit, span.first, span.last, to_end=span.to_end)
        own += log_gone_past(story, bit, span.first, span.last)
    hits = int(np.count_nonzero(explained))
    index = rows.index[np.flatnonzero(explained)]
    yield Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=own,
        explains=hits,
        summary=came_off(story, line, span, "the program used both halves"),
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


def _moved(story: Story, bit: int, span: Span) -> Moved:
    """What the program read beside its memory; of a line that never moves a mirror may be all that it uses."""
    if story.read_beside is None:
        return Moved(0, 0, 0.0)
    found = moved_over(story, story.read_beside, bit, span.first, span.last)
    return found if span.expected is not None else found._replace(log=min(found.log, _HARDLY_AT_MOST))


def _gone_on_beside(story: Story, line: str, span: Span, moved: Moved) -> Rival:
    own = f"{counted(moved.same, 'byte')} read beside the memory are its own"
    evidence = (
        f"of {counted(moved.cells, 'address', 'addresses')} that were read in that time alone {moved.same} give "
        f"what lies at the address with {line} at its other level"
    )
    summary = f"{came_off(story, line, span, 'the program went on')}, and {own}"
    return _seen_off(story, line, span, summary, evidence, moved.log)


def _seen_off(story: Story, line: str, span: Span, summary: str, evidence: str, odds: float) -> Rival:
    """A clip of which no wrong read tells, but ``odds``, in nats, of what else was seen."""
    return Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story),
        log_own=0.0,
        explains=0,
        summary=summary,
        evidence=(evidence,),
        next_step=look_at(line),
        stops_judging=True,
        log_seen=span.log_odds + odds,
        span=(span.first, span.last),
        taken=NotJudged(None, (span.first, span.last)),
    )


def _selected_beside(story: Story, bit: int, line: str, span: Span) -> Iterator[Rival]:
    """The clipped selects follow the line all the while, as they did before and after."""
    rows = story.rows
    first = int(np.searchsorted(rows.time, span.first, side="right" if span.expected is not None else "left"))
    last = int(np.searchsorted(rows.time, span.last, side="right"))
    there, _ = selected_there(story, partners_of(story, bit), 0, len(rows))
    odd, others = int(np.count_nonzero(there[first:last])), int(np.count_nonzero(there))
    if odd < _FEW_SELECTED or others - odd > _OTHERS * odd:
        return
    went_on = came_off(story, line, span, "the selects went on")
    summary = (
        f"{went_on}, and for {counted(odd, 'access', 'accesses')} the select of the region on the other side of {line} "
        "came instead"
    )
    evidence = f"a decoder that is at fault would leave {line} moving on the bus"
    yield _seen_off(story, line, span, summary, evidence, -_SLIPS * LOG_SLIP * (2 * odd - others))


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
    told = (places - 1) * math.log(2.0)
    board = story.study.evidence.board
    inferred = len(board.regions) > 1 and all(region.inferred for region in board.regions)
    if inferred and len(set(stretches(board.regions, 1 << bit))) == 1:
        told += _CUT
    return max(_HARDLY, min(_HARDLY_AT_MOST, told))


def _at_rest(story: Story, bit: int, line: str, span: Span) -> Iterator[Rival]:
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
        summary=came_off(story, line, span, "the other lines did", "may have come off"),
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
