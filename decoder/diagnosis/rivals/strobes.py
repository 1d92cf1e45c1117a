"""Clips of control lines that have come off: nothing is written or read any more, or a select rests."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import LOG_SLIP, SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.exchanged_selects import exchanged_pairs
from busledger.decoder.diagnosis.rivals.news import odd_selects, reads_that_differ
from busledger.decoder.diagnosis.rivals.rests import WHEN, log_rest, prior_of_line
from busledger.decoder.diagnosis.rivals.rival import Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic, writes
from busledger.decoder.diagnosis.rivals.unseen_writes import Unseen, log_crowded, log_unseen, restless
from busledger.decoder.diagnosis.rivals.words import counted, look_at, moment, named

__all__ = ["reads_gone", "selects_at_rest", "writes_gone"]

# Judged, where no reason stands beside a figure. All doubled at once, and all halved (a strobe's clip off, clips
# exchanged, device, write-protected, banks, contents lost, a select open; seed 86500 of the outside world,
# ``tests.outside.sensitivity``): no answer changes.
_FEW = 200  # transfers: a program's loop may leave a line alone for so long
_BLOCK_MOVE = 512  # writes that a disk's controller may make in a row, fetching nothing: a sector, judged
_FEW_NEW = 3  # reads that show something new
_EXPECTED = 20.0  # changes that the rest of the capture lets expect
_SHORTER = 3  # stretches looked at beside the longest: as many as rests of an address line
_OTHERS = 0.25  # wrong reads beside such a shorter one, for one in it: as in clips.py
_SELECTS = 64  # bits of ``Rows.selected``
_FEW_AT_REST = 20  # right reads while a select rests
_TWO_VALUES = 2  # read back right: lines that nobody drives may give one of them, not both
_HELD_VALUES = 4  # different levels of the other lines, so that the bus was at work


def writes_gone(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """From some moment on, or for a while, nothing is written any more, yet memory goes on changing."""
    to_end = (signs.last_write, signs.span[1], signs.reads_after_write, signs.longest_reading, True)
    a_while = (*signs.reading_span, signs.longest_reading, max(signs.second_reading, signs.reads_after_write), False)
    # One of a clip that was off for a while need not be the longest.
    shorter = [] if story.study.evidence.all_agree else _other_readings(story, signs)
    beside = max(signs.longest_reading, signs.reads_after_write)
    for first, last, reads, other, ends in (to_end, a_while, *((*one, beside, False) for one in shorter)):
        found = _no_writes(story, signs, (first, last), reads, other, to_end=ends)
        wrong = np.count_nonzero(story.rows.wrong) if (first, last, reads) in shorter else 0
        # What is not the longest is a phase of the program, unless next to nothing is wrong beside it.
        if found is not None and wrong <= (1.0 + _OTHERS) * found.explains:
            yield found


def _other_readings(story: Story, signs: CaptureSigns) -> list[tuple[int, int, int]]:
    """(tick of the write before, tick of the write after, transfers between) of the next longest stretches without a
    write after the longest, as far as the transfers were kept."""
    seen = writes(story)
    if len(seen) < _SHORTER + 2:
        return []
    between = np.diff(np.searchsorted(traffic(story)[0], seen)) - 1
    at = np.argsort(-between, kind="stable")[: _SHORTER + 1]
    found = [(int(seen[i]), int(seen[i + 1]), int(between[i])) for i in at.tolist()]
    return [one for one in found if one[:2] != signs.reading_span]


def _no_writes(
    story: Story, signs: CaptureSigns, span: tuple[int, int], reads: int, other: int, *, to_end: bool
) -> Rival | None:
    """``reads`` without a write between the ticks of ``span``; ``other``: the longest such rest beside it."""
    expected = reads * signs.writes / max(1, signs.transfers - reads)
    if not signs.writes or reads < _FEW or expected < _EXPECTED:
        return None
    # Without a wrong read only one that differs from the one before it could speak of such a write.
    if story.study.evidence.all_agree and reads_that_differ(story, span) < _FEW_NEW:
        return None
    rows = story.rows
    ended = int(np.searchsorted(rows.time, span[1], side="left"))
    # After the clip is back, what was written without it is still known wrongly, until it is written again.
    after = rows.time > span[0]
    wrong = after & (rows.wrong != 0) & ((rows.time < span[1]) | (story.since < ended))
    # A write that is taken for a read gives something new, be it by chance what was expected once.
    inside = after & (rows.time < span[1])
    if _one_line(signs):  # each write was seen there, as a read of what it wrote: nothing is new later
        wrong &= inside | (story.repeat == kernel.SAME)
    told = inside & (rows.compared != 0) & ~_of_rom(story)[rows.region]
    differs = told & (story.repeat == kernel.OTHER)
    if differs.any():
        differs &= _bent(rows)
    fresh = (told & wrong & (story.repeat != kernel.SAME)) | differs
    changed = int(np.count_nonzero(fresh))
    if changed < _FEW_NEW or _on_one_lane(rows, fresh):
        return None
    line = _direction_line(signs)
    odds = WHEN[1 if to_end else 2] + log_rest(reads, other, signs.transfers)
    # Which of the reads show something new has to be known, too, and what. After the clip is back there may be more.
    late = np.flatnonzero(wrong & ~inside & (story.repeat != kernel.SAME))
    news = np.union1d(np.flatnonzero(fresh), late)
    often = restless(rows, inside, writes_too=_one_line(signs))
    odds += log_unseen(story, Unseen(np.flatnonzero(told), fresh, news, often))
    # A cell that only repeats what was wrong before was written by nobody then.
    changed_cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    changed_cells[rows.cell[fresh]] = changed_cells[rows.cell[late]] = True
    wrong &= changed_cells[rows.cell]
    ram = ~_of_rom(story)[rows.region]
    if _one_line(signs):  # where writes have a strobe of their own nothing at all is seen of them
        odds += _log_pairs(rows.take(ram), inside[ram])
    else:
        odds += log_crowded(story, int(np.count_nonzero(changed_cells)), reads)
    name = line or "the write strobe"
    since = moment(story.seconds(span[0]))
    when = f"has come off at {since}" if to_end else f"was off from {since} to {moment(story.seconds(span[1]))}"
    return Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,) if line else (),
        log_prior=prior_of_line(story),
        log_own=odds,
        explains=int(np.count_nonzero(wrong)),
        summary=(
            f"the clip on {name} {when}: {counted(reads, 'read')} and not one write "
            f"{'since' if to_end else 'in that time'}, where {expected:.0f} would be expected, and memory goes on "
            "changing"
        ),
        evidence=(f"{counted(changed, 'read')} give something new that nobody was seen to write",),
        next_step=look_at(name),
        stops_judging=True,
        index=rows.index[wrong],
        taken=Excused(rows.index[wrong]),
    )


def _on_one_lane(rows: Rows, fresh: NDArray[np.bool_]) -> bool:
    """Whether all that is new is wrong on one lane of several, which is bad: a program writes on all of them."""
    lanes = int(np.bitwise_or.reduce(rows.wrong[fresh], initial=0))
    return lanes.bit_count() == 1 and int(np.bitwise_or.reduce(rows.compared[fresh], initial=0)).bit_count() > 1


def _bent(rows: Rows) -> NDArray[np.bool_]:
    """Whether each row differs from the one before of its cell on the lanes that are compared: of cells that nobody
    wrote those lanes on which its reads differ are not."""
    order = np.argsort(rows.cell, kind="stable")
    last, now = order[:-1], order[1:]
    found = np.zeros(len(rows), np.bool_)
    bent = ((rows.data[last] ^ rows.data[now]) & rows.compared[now] & rows.sure[last]) != 0
    found[now] = bent & (rows.cell[last] == rows.cell[now])
    return found


def _one_line(signs: CaptureSigns) -> bool:
    """Whether one line tells writes from reads, so that a write without it is taken for a read."""
    behaviour = signs.profile.file.behaviour
    return behaviour is not None and behaviour.direction in signs.names


def _log_pairs(rows: Rows, inside: NDArray[np.bool_]) -> float:
    """Log odds that what is read of one cell of memory twice in a row was a read and a write, as programs make them.

    Elsewhere in the capture such pairs with a write among them, and those of two reads, are counted; inside there are
    only those of two reads, as often as the one kind, or as both kinds.
    """
    pair = rows.cell[1:] == rows.cell[:-1]
    write = rows.is_write[1:] | rows.is_write[:-1]
    there = inside[1:] & inside[:-1]
    before, after = int(np.count_nonzero(~there)), int(np.count_nonzero(there))
    count = int(np.count_nonzero(pair & there))

    def foretold(kind: NDArray[np.bool_]) -> float:
        seen = int(np.count_nonzero(kind & ~there))
        both = log_rate(seen + count, before + after - seen - count, SOMETIMES)
        return both - log_rate(seen, before - seen, SOMETIMES)

    return foretold(pair) - foretold(pair & ~write)


def _of_rom(story: Story) -> NDArray[np.bool_]:
    return np.array([region.kind == "rom" for region in story.regions] or [False], np.bool_)


def reads_gone(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """From some moment on, or for a while, nothing is read any more: no processor goes on without fetching."""
    if signs.profile.family == "chip":
        return  # a chip may be written for as long as its processor fetches elsewhere
    if signs.reads and signs.longest_writing >= _FEW:
        first, last = signs.writing_span
        when = f"was off from {moment(story.seconds(first))} to {moment(story.seconds(last))}"
        beyond = signs.longest_writing - _BLOCK_MOVE
        yield _no_reads(signs, first, f"{when}: {counted(signs.longest_writing, 'write')} and not one read", beyond)
    if signs.reads and signs.writes_after_read >= _FEW:
        when = f"has come off at {moment(story.seconds(signs.last_read))}"
        seen = f"{when}: {counted(signs.writes_after_read, 'write')} and not one read since"
        beyond = signs.writes_after_read - (_BLOCK_MOVE if signs.profile.family == "backplane" else 0)
        yield _no_reads(signs, signs.last_read, seen, beyond)


def _no_reads(signs: CaptureSigns, since: int, seen: str, beyond: int) -> Rival:
    """Nothing is judged from the tick ``since`` on; ``seen``: what became of the clip, and by what that is told;
    ``beyond``: writes that no master on the bus would make in a row."""
    line = _direction_line(signs, "read")
    name = line or "the read strobe"
    return Rival(
        fault="clip-off",
        scope="clip",
        lines=(line,) if line else (),
        log_prior=prior_of("clip-off", chips=True),
        log_own=0.0,
        explains=0,
        summary=f"the clip on {name} {seen}, which no processor does",
        next_step=look_at(name),
        stops_judging=True,
        log_seen=-LOG_SLIP * max(0, beyond),
        taken=NotJudged(None, (since + 1, signs.span[1])),
    )


def _direction_line(signs: CaptureSigns, which: str = "write") -> str | None:
    """The clipped line that tells writes from reads."""
    behaviour = signs.profile.file.behaviour
    if behaviour is None:
        return None
    strobes = getattr(behaviour, which)
    named = [behaviour.direction, *((strobes,) if isinstance(strobes, str) else strobes)]
    return next((line for line in named if line in signs.names), None)


def selects_at_rest(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """A select that rests though the memory answers rightly: away, and its region answers; there, and others do."""
    board = story.study.evidence.board
    often = odd_selects(story)
    exchanged = {r for pair in exchanged_pairs(story) for r in pair}
    for r, region in enumerate(board.regions[:_SELECTS]):
        if region.select is None or region.select not in signs.names or often[r].max() < _FEW_AT_REST:
            continue
        if r in exchanged:
            continue  # it is on the other's line
        rows = story.rows
        bit = np.uint64(1 << r)
        seen, there = rows.selects_seen & bit != 0, rows.selected & bit != 0
        # Parts of one region have one select.
        others = np.array([other.select != region.select for other in board.regions], np.bool_)
        for mine, odd in ((rows.region == r, ~there), (others[rows.region], there)):
            known = mine & seen
            if np.count_nonzero(known & odd) < _FEW_AT_REST:
                continue
            which = np.flatnonzero(known)
            first, last = _longest_run(odd[which])
            found = which[first:last]
            right = found[(rows.compared[found] != 0) & (rows.wrong[found] == 0)]
            wrong = int(np.count_nonzero(rows.wrong[found]))
            if len(np.unique(rows.data[right])) < _TWO_VALUES or len(right) < _FEW_AT_REST or 10 * wrong > len(right):
                continue
            while_ = (int(rows.time[found[0]]), int(rows.time[found[-1]]))
            proofs = len(right) if not there[found[0]] else _would_fight(story, r, while_, right)
            if not proofs:
                continue
            away, until = not there[found[0]], moment(story.seconds(int(rows.time[found[-1]])))
            if first == 0 and last == len(which):
                when = f"has come off: it {'never came' if away else 'never rested'}"
            elif last == len(which):
                when = f"has come off at {moment(story.seconds(int(rows.time[found[0]])))}: it rests since"
            else:
                when = f"was off from {moment(story.seconds(int(rows.time[found[0]])))} to {until}"
            yield Rival(
                fault="clip-off",
                scope="clip",
                lines=(region.select,),
                region=r,
                log_prior=prior_of("clip-off", chips=True),
                # Of the select where it should not be a decoder that sends it says as much (clipped.log_clipped).
                log_own=0.0 if away else -LOG_SLIP * len(found),
                explains=0,
                summary=(
                    f"the clip on {region.select} {when}, yet {counted(len(right), 'read')} of "
                    f"{named(region) if away else 'other regions'} came back right in that time"
                ),
                next_step=look_at(region.select),
                stops_judging=True,
                # A row that nobody selects answers rightly by chance at the best, and so does one beside which another
                # drives.
                log_seen=-LOG_SLIP * (proofs - wrong),
                taken=Excused(rows.index[:0]),
            )
            break


def _would_fight(story: Story, r: int, span: tuple[int, int], right: NDArray[np.intp]) -> int:
    """Reads between the ticks of ``span`` that could not be, had region ``r`` answered too and taken the writes to
    other regions while its select was there: the ``right`` ones of other regions, of a place to which ``r`` was written
    something else since; its own that came right though another region was written something else there; and those
    beside all regions that say low and high where ``r`` says the opposite. Place: what its own address lines make of
    the address."""
    rows, space = story.rows, story.study.cells
    base, size = np.array(space.base, np.int64), int(space.size[r])
    if size & (size - 1):
        return 0
    own = rows.region == r
    place = np.where(own, rows.cell - base[r], (story.address[rows.cell] >> space.shift) & (size - 1))
    inside = (rows.time >= span[0]) & (rows.time <= span[1])
    there = inside & (rows.selected & np.uint64(1 << r) != 0)
    asked = own & inside & ~rows.is_write & (rows.compared != 0) & (rows.wrong == 0)
    asked[right] = True
    count = 0
    for q in np.unique(rows.region[right]):
        mine = np.flatnonzero((rows.region == q) | own)
        mine = mine[np.argsort(place[mine], kind="stable")]
        at = np.where(rows.is_write[mine], np.arange(len(mine)), -1)
        last = np.maximum.accumulate(at) if len(at) else at
        told = (last >= 0) & asked[mine]
        one, two = mine[told], mine[last[told]]
        other = (place[one] == place[two]) & (own[one] != own[two]) & (own[two] | there[two])
        differs = (rows.data[one] ^ rows.data[two]) & rows.sure[one] & rows.sure[two]
        count += int(np.count_nonzero(other & (differs != 0)))
    return count + _fights_beside(story, r, span)


def _fights_beside(story: Story, r: int, span: tuple[int, int]) -> int:
    """Those beside all regions, where the select did not move any more from the begin of ``span`` on."""
    signs, select = story.study.evidence.signs, story.regions[r].select
    if signs is None or select not in signs.names or signs.line(select)[1] > span[0]:
        return 0
    rows, space = story.rows, story.study.cells
    outside, size = signs.outside_reads(), int(space.size[r])
    there = (outside.io == 0) & (outside.time >= span[0]) & (outside.time <= span[1])
    time, gave = outside.time[there], outside.data[there].astype(np.uint32)
    place = (outside.address[there] >> space.shift) & (size - 1)
    full = np.uint32((1 << story.study.data_bits) - 1)
    mine = np.flatnonzero((rows.region == r) & (rows.sure == full))
    # By place, then by time, those that tell what the region holds before those that ask.
    places = np.concatenate([rows.cell[mine] - int(space.base[r]), place])
    asks = np.arange(len(places)) >= len(mine)
    order = np.lexsort((asks, np.concatenate([rows.time[mine], time]), places))
    held = np.concatenate([rows.data[mine], gave])[order]
    at = np.maximum.accumulate(np.where(asks[order], -1, np.arange(len(order)))) if len(order) else order
    told = asks[order] & (at >= 0)
    told[told] = places[order][at[told]] == places[order][told]
    holds, given = held[at[told]], held[told]
    return int(np.count_nonzero((given & ~holds & full != 0) & (holds & ~given & full != 0)))


def _longest_run(yes: NDArray[np.bool_]) -> tuple[int, int]:
    """Start and end of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], yes, [False]]).astype(np.int8)))
    if not len(edges):
        return 0, 0
    starts, ends = edges[::2], edges[1::2]
    longest = int((ends - starts).argmax())
    return int(starts[longest]), int(ends[longest])
