"""Contents that change though nobody was seen to write: another master, another version of a ROM."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.urns import log_values
from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, log_rate, log_sum
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.blocks import Block, Passages, blocks_of, passages
from busledger.decoder.diagnosis.rivals.fillings import log_contents
from busledger.decoder.diagnosis.rivals.handed_over import bus_handed_over, moments
from busledger.decoder.diagnosis.rivals.places import DEVICE
from busledger.decoder.diagnosis.rivals.revisions import log_revised
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import log_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, moment, named, span_of, stated

__all__ = ["other_images", "shared"]

LN2 = math.log(2.0)
# All doubled at once, and all halved: no answer of seven cases changes (as in strobes.py).
_KEEPS = (20.0, 1.0)  # Beta prior, judged: what was changed stays, but the other master may put it back
_BY_AGE = 0.1  # judged: of other masters, those that are at work all the time, so that age and place tell
_AGES, _NEAR = 8, 4  # powers of two that are told apart; cells
_CHANGES = 2  # judged: a single one may be anything
# Judged: of places that another master writes, those in which not one write of this side was seen to hold, of so many
# that were tested at the least; and what share of them holds by chance.
_NOTHING_HELD, _TESTED, _BY_CHANCE = 0.1, 16, 0.05


def shared(story: Story) -> Iterator[Rival]:
    """Cells that change again and again without a write, and keep what they changed to."""
    rows = story.rows
    # Where the bus itself is given away, what seems to be read then is part of the same story.
    away = next(bus_handed_over(story), None)
    nobodys = np.zeros(len(rows), np.bool_) if away is None else np.isin(rows.index, away.index)
    changed = (rows.wrong != 0) & ~nobodys
    new = changed & (story.repeat != kernel.SAME) & (story.older & 1 == 0)
    events, wrong = story.per_cell(new), story.per_cell(changed)
    every = passages(story)
    every = every.take(~nobodys[every.row] & ~nobodys[every.before])
    handed_over, seen = moments(story)
    for r, region in enumerate(story.regions):
        if region.kind == "rom":
            continue
        span = story.study.cells.span(r)
        count = int(events[span].sum())
        if count < _CHANGES:
            continue
        # Where the other side's own values were seen, and where anything was wrong: it may have put old values back.
        places = [_hull_of(story, span, one) for one in (events, wrong)]
        mine = every.take(rows.region[every.row] == r)
        blocks: list[tuple[list[Block], NDArray[np.int64] | None]] = [([], None), (blocks_of(story, mine), None)]
        if len(handed_over):
            blocks += [([], handed_over), (blocks_of(story, mine, handed_over), handed_over)]
        for place in dict.fromkeys(places):
            for number, (at_once, when) in enumerate(blocks):
                if number % 2 == 0 or at_once:
                    for one in _shared(story, r, count, place, at_once, mine, when, nobodys):
                        # At the most it proves that there is another master.
                        sign = 0.0 if when is None or away is not None else min(-one.log_prior, seen)
                        told = replace(one, log_own=one.log_own + sign)
                        yield told if away is None else _with_cycles(one, away)


def _hull_of(story: Story, span: slice, often: NDArray[np.int64]) -> tuple[int, int]:
    mine = story.address[span][often[span] > 0]
    return int(mine.min()), int(mine.max())


def _shared(
    story: Story, r: int, count: int, place: tuple[int, int], blocks: Sequence[Block], found: Passages,
    when: NDArray[np.int64] | None, nobodys: NDArray[np.bool_],
) -> Iterator[Rival]:  # fmt: skip
    """Changes in one place, of a region with the passages ``found``; those of each of ``blocks`` came all at one
    moment, which costs less than each by itself; ``when``: the rows before which the other had the bus, None where it
    needs none; reads that are ``nobodys`` are left out."""
    rows, region = story.rows, story.regions[r]
    span = story.study.cells.span(r)
    cells = np.zeros(max(1, story.study.cells.total), np.bool_)
    low, high = place
    cells[span] = (story.address[span] >= low) & (story.address[span] <= high)
    here = cells[rows.cell] & ~rows.is_write & (rows.compared != 0) & ~nobodys
    kept = int(np.count_nonzero(here & (rows.wrong != 0) & (story.repeat == kernel.SAME)))
    back = int(np.count_nonzero(here[found.row[found.back]]))
    lanes = int(np.bitwise_or.reduce(rows.wrong[here]))
    if 4 * back > kept + count or lanes.bit_count() < 3 or _never_holds(story, here, int(cells.sum())):
        return
    # Reads that give what the cell held earlier are no sign of another master, and yet have to be paid for.
    changed = here & (rows.wrong != 0) & (story.repeat != kernel.SAME)
    at_once = np.concatenate([np.zeros(0, np.int64), *(block.rows for block in blocks)])
    changed[at_once] = False
    events_here = int(np.count_nonzero(changed))
    quiet = int(np.count_nonzero(here)) - events_here - kept
    used = int(np.count_nonzero(story.per_cell(~rows.is_write)[span]))
    inside = int(np.count_nonzero(story.per_cell(here)))
    at_their_moment = np.isin(np.arange(len(rows)), at_once)
    asked = here & ~at_their_moment
    # It comes at any rate; or the likelier the longer ago a cell was seen, and, as it writes areas, where the read
    # before showed a change, too.
    by_age = math.log(_BY_AGE) + _log_by_age(story, np.flatnonzero(asked), changed)
    own = log_sum([math.log(1.0 - _BY_AGE) + _log_when(asked, changed, found, when), by_age])
    own += _log_written(story, np.flatnonzero(changed), at_once)
    own += log_rate(kept, back, _KEEPS)
    own += _log_place(inside, used, int(np.count_nonzero(story.per_cell(here & (rows.wrong != 0)))))
    own += sum(block.log_own for block in blocks)
    own += math.log(_NOTHING_HELD) if _holds_nothing(story, here) else 0.0
    wrong = here & (rows.wrong != 0)
    yield Rival(
        fault="shared",
        scope="machine",
        region=r,
        addresses=place,
        log_prior=prior_of("shared", chips=story.has_chips(r)),
        log_own=own,
        explains=int(np.count_nonzero(wrong)),
        against=back,
        summary=f"{span_of(place)} is written by somebody who is not on the clips: another processor, or a device",
        evidence=(
            f"{counted(count, 'change')} without a write on {lanes.bit_count()} lanes at once; "
            f"{counted(kept, 'later read')} give the new content again, {back} the old one",
            f"{counted(quiet, 'read')} of {named(region)} there came right",
            *_told(story, blocks),
        ),
        next_step="Clip the bus request and grant lines, or the other side's write; if it is shared memory, say so "
        "in the board file.",
        propose=stated(f"shared_{low:04x}", place, "ram", "shared = true"),
        index=rows.index[wrong],
        taken=NotJudged(cells),
    )


def _log_place(inside: int, used: int, changed: int) -> float:
    """Log probability that the other master keeps to just this place, beside that of what it does there: it has the
    whole region, and the ``changed`` cells lie among ``inside`` of the ``used`` ones by chance; or a place of any size,
    an octave as likely as another, that begins anywhere and was read off the changes, so that its ends may lie as far
    out as these lie apart."""
    apart, used, inside, changed = max(1.0, inside / max(1, changed)), max(1, used), max(1, inside), max(1, changed)
    anywhere = changed * math.log(min(1.0, inside / used))
    size = min(1.0, apart / inside) / max(1.0, math.log(used))
    return log_sum([anywhere, min(0.0, math.log(apart / used)) + math.log(size)]) - LN2


def _log_written(story: Story, one_by_one: NDArray[np.intp], at_once: NDArray[np.intp]) -> float:
    """Log probability of what the other one wrote, as the rows show it: each cell has values of its own, and a block
    any; or it writes few values, or by a rule, as programs do: the digits on a screen, a pattern, a count."""
    rows = story.rows
    anything = log_values(rows.cell[one_by_one], rows.data[one_by_one], rows.compared[one_by_one])
    anything -= sum(int(lanes).bit_count() for lanes in rows.compared[at_once]) * LN2
    every = np.union1d(one_by_one, at_once)
    lanes = int(np.bitwise_or.reduce(rows.compared[every], initial=0))
    filled = log_contents(rows.data[every] & rows.compared[every], lanes, story.older[every], rows.wrong[every] == 0)
    return log_sum([anything, filled]) - LN2


def _with_cycles(rival: Rival, away: Rival) -> Rival:
    """The same other master with the cycles in which it has the bus."""
    index = np.union1d(rival.index, away.index)
    return replace(
        rival,
        log_own=rival.log_own + away.log_own,
        explains=len(index),
        evidence=(*rival.evidence, away.summary),
        next_step=away.next_step,
        index=index,
        taken=Both(rival.taken, Excused(away.index)),
    )


def _log_when(
    asked: NDArray[np.bool_], changed: NDArray[np.bool_], found: Passages, when: NDArray[np.int64] | None
) -> float:
    """Log probability of which of the reads ``asked`` show a change: those that a moment of ``when`` went by before
    have a rate of their own."""
    crossed = np.zeros(len(asked), np.bool_)
    if when is not None:
        crossed[found.row] = np.searchsorted(when, found.before, "right") < np.searchsorted(when, found.row, "right")
    own = 0.0
    for kind in (asked & crossed, asked & ~crossed):
        count = int(np.count_nonzero(kind & changed))
        own += log_rate(count, int(np.count_nonzero(kind)) - count, SOMETIMES)
    return own


def _log_by_age(story: Story, asked: NDArray[np.intp], changed: NDArray[np.bool_]) -> float:
    """Log probability of the same by how long ago the cell was last seen, in powers of two of the usual time, whether
    it was written since it was read, and whether the read before, of a cell near by or elsewhere, showed a change;
    each with a rate of its own."""
    rows = story.rows
    order = np.argsort(rows.cell, kind="stable")
    before = np.full(len(rows), -1, np.int64)
    same = rows.cell[order[1:]] == rows.cell[order[:-1]]
    before[order[1:][same]] = order[:-1][same]
    asked = asked[before[asked] >= 0]
    if not len(asked):
        return 0.0
    age = np.maximum(1, rows.time[asked] - rows.time[before[asked]]).astype(np.float64)
    octave = np.clip(np.log2(age / float(np.median(age))) + _AGES / 2, 0, _AGES - 1).astype(np.int64)
    yes, cell = changed[asked], rows.cell[asked].astype(np.int64)
    habit = octave + _AGES * (story.repeat[asked] == kernel.FIRST)
    habit[1:] += 2 * _AGES * yes[:-1] + 4 * _AGES * (np.abs(np.diff(cell)) <= _NEAR)
    return log_of(habit, yes)


def _told(story: Story, blocks: Sequence[Block]) -> Iterator[str]:
    if blocks:
        most = max(blocks, key=lambda block: len(block.rows))
        when = moment(story.seconds(int(story.rows.time[most.moment])))
        yield (
            f"{counted(sum(len(block.rows) for block in blocks), 'change')} came in {counted(len(blocks), 'block')} at "
            f"once, the largest before {when} in {span_of((most.low, most.high))}"
        )


def _never_holds(story: Story, here: NDArray[np.bool_], cells: int) -> bool:
    """Whether a few cells do not even hold what this side writes: that is a device, not memory shared with somebody."""
    tests = int(np.count_nonzero(here & (story.took != kernel.NO_TEST)))
    held = int(np.count_nonzero(here & story.holds()))
    return cells <= DEVICE and tests >= 3 and held <= 0.25 * tests


def _holds_nothing(story: Story, here: NDArray[np.bool_]) -> bool:
    """Whether no write of this side is seen to hold: memory that two share holds for either of them at times."""
    first = np.flatnonzero(here & (story.repeat == kernel.FIRST) & (story.since >= 0))
    first = first[story.rows.is_write[story.since[first]]]
    held = int(np.count_nonzero(story.rows.wrong[first] == 0))
    return len(first) >= _TESTED and held <= _BY_CHANCE * len(first)


def other_images(story: Story) -> Iterator[Rival]:
    """A ROM that differs from its image in runs, and always in the same way."""
    rows = story.rows
    for r, region in enumerate(story.regions):
        if region.kind != "rom" or region.image is None:
            continue
        mine = (rows.region == r) & ~rows.is_write & (rows.compared != 0)
        wrong = mine & (rows.wrong != 0)
        if not wrong.any():
            continue
        cell, value = rows.cell[mine], rows.data[mine] & rows.compared[mine]
        cells, at, reads = np.unique(cell, return_inverse=True, return_counts=True)
        level, each = _commonest(at, value, len(cells))
        differs = np.zeros(len(cells), np.bool_)
        expected = np.zeros(len(cells), np.uint32)
        expected[at] = rows.expected[mine]
        differs = level != expected
        odd = int((reads - each).sum())
        steady = int(each.sum())
        order = np.argsort(story.address[cells])
        said = differs[order]
        bits = int(np.bitwise_or.reduce(rows.compared[mine])).bit_count()
        span = story.study.cells.span(r)
        value, known = (column[span] for column in story.study.images())
        own = log_rate(steady, odd, HARD)
        own += log_revised((cells[order] - span.start).astype(np.int64), level[order], value, known != 0, bits)
        explained = wrong.copy()
        explained[wrong] = differs[np.searchsorted(cells, rows.cell[wrong])] & (
            level[np.searchsorted(cells, rows.cell[wrong])] == (rows.data & rows.compared)[wrong]
        )
        runs = int(np.count_nonzero(np.diff(said.astype(np.int8)) == 1)) + int(said[0])
        count = int(differs.sum())
        if not explained.any():
            continue
        yield Rival(
            fault="other-image",
            scope="machine",
            region=r,
            addresses=(region.start, region.end),
            log_prior=prior_of("other-image", chips=True),
            log_own=own,
            explains=int(explained.sum()),
            against=odd,
            summary=f"the ROM in {named(region)} is another version than its image: {counted(count, 'byte')} of "
            f"{len(cells)} read differ, always in the same way",
            evidence=(
                f"the differences lie in {counted(runs, 'run')}; {counted(steady, 'read')} agree with each other, "
                f"{odd} do not",
            ),
            next_step="Read the ROM out, or find the image of its version, and give that as the image of "
            f"{named(region)}.",
            propose=(f"# region {named(region)}: image = the file read out of the ROM that is fitted",),
            index=rows.index[explained],
            taken=NotJudged(_cells_of(story, cells[differs])),
        )


def _cells_of(story: Story, cells: NDArray[np.int32]) -> NDArray[np.bool_]:
    found = np.zeros(max(1, story.study.cells.total), np.bool_)
    found[cells] = True
    return found


def _commonest(
    at: NDArray[np.intp], value: NDArray[np.uint32], cells: int
) -> tuple[NDArray[np.uint32], NDArray[np.int64]]:
    """The value that most reads of each cell gave, and how many did."""
    key = at.astype(np.uint64) << np.uint64(32) | value.astype(np.uint64)
    keys, count = np.unique(key, return_counts=True)
    order = np.lexsort((count, keys >> np.uint64(32)))
    keys, count = keys[order], count[order]
    owner = (keys >> np.uint64(32)).astype(np.intp)
    level, each = np.zeros(cells, np.uint32), np.zeros(cells, np.int64)
    level[owner], each[owner] = (keys & np.uint64(0xFFFFFFFF)).astype(np.uint32), count
    return level, each
