"""A clip that came off a high address line, although no read came out wrong by it: the program seems to have moved.

From that moment on what it wrote to a region is seen at the same addresses with the line at its other level, where the
board file names no memory and where nobody wrote before; and nothing is seen of the region itself any more. What is
read there is what was written, for it is that memory which answers: a program that has lost its way writes to places
where nothing lies, and reads back what the bus was left with.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.board import Region
from busledger.decoder.diagnosis.coverage.signs import CaptureSigns, LatchWrites
from busledger.decoder.diagnosis.replay.weighing import HARD, log_rate
from busledger.decoder.diagnosis.rivals.rests import prior_of_line, spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Both, Excused, NotJudged, Rival
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted, look_at, moment

__all__ = ["ghosts"]

# Judged: what no program does by chance.
_WRITES, _CELLS = 20, 8  # writes to a region before, and seen beside it since; different cells of those
_BEFORE = 100  # of them for one that was seen beside it before
# Nats that a line which never moved may gain so: a board file may leave memory out; but who captures a card makes the
# program use some of it, and each region that it leaves alone, while what would be its writes are seen beside it, says
# so again.
_UNNAMED, _UNUSED = 5.0, 15.0
_BUS = 1 << 16  # addresses that a program could have moved to
# Beta priors, judged: of reads that come first after a write to their address, those that give what was written, of
# memory on a card that has faults of its own, and of a place where nobody answers.
_ANSWERS, _NOBODY = (9.0, 1.0), (1.0, 9.0)
_SILENT = -7.0  # nats below which nothing answers, wherever the writes lie: walks go on past a memory's end. Judged


def ghosts(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival for each address line and rest of it that the writes outside all regions speak of."""
    outside = signs.latches()
    memory = outside.io == 0
    time, address = outside.time[memory], outside.address[memory]
    if len(time) < _WRITES:
        return
    data = outside.data[memory]
    for bit, line in signs.address_lines.items():
        beside = _in_memory(story, address ^ (1 << bit))
        for span in spans_of_rest(signs, signs.address_bit(bit)):
            then = (time > span.first) & (time <= span.last)
            found = beside & then
            cells = len(np.unique(address[found]))
            seen, before = int(np.count_nonzero(found)), int(np.count_nonzero(beside & ~then))
            if seen < _WRITES or cells < _CELLS or _BEFORE * before > seen:
                continue
            if 2 * seen < np.count_nonzero(then):
                continue  # the program works there for reasons of its own
            # The story of the cells is told for what writes outside speak of alone.
            written, rows = story.rows.is_write, story.rows
            level = int(signs.address_bit(bit).level) if span.to_end else _level(address[then], bit)
            other = (story.address[rows.cell[written]] >> bit & 1 != level) & (rows.time[written] <= span.first)
            # One that never moved never was anywhere else.
            used = seen if span.expected is None else int(np.count_nonzero(other))
            if used < _WRITES:
                continue
            size = sum(region.end - region.start + 1 for region in story.regions)
            since = moment(story.seconds(span.first))
            when = f" at {since}" if span.to_end else f" from {since} to {moment(story.seconds(span.last))}"
            told = f"{counted(used, 'write')} went to that memory before, and {before} beside it"
            worth = span.log_odds + cells * math.log(max(2.0, _BUS / max(1, size)))
            if span.expected is None:
                when, worth = "", min(worth, _most(story, np.unique(address[found]) ^ (1 << bit)))
                told = "or there is memory that the board file does not name, and the program uses that instead"
            answers = _log_answers(address[found], time[found], data[found], signs.outside_reads(), span.last)
            if answers < _SILENT:
                continue
            worth += answers
            hit, odd = _found_later(story, address[found] ^ (1 << bit), time[found], data[found], span.first)
            yield Rival(
                fault="clip-off",
                scope="clip",
                lines=(line,),
                log_prior=prior_of_line(story),
                log_own=worth + log_rate(len(hit), odd, HARD) if len(hit) else 0.0,
                explains=len(hit),
                against=odd,
                summary=f"the clip on {line} {'has come off' if span.to_end else 'was off'}{when}: it "
                f"{'did not move any more' if when else 'never moved'}, and {counted(seen, 'write')} to "
                f"{counted(cells, 'cell')} of memory are seen beside it, where {line} is {'high' if level else 'low'}",
                evidence=(told,),
                next_step=look_at(line),
                stops_judging=True,
                log_seen=worth,
                span=(span.first, span.last),
                index=rows.index[hit],
                taken=Both(NotJudged(None, (span.first, span.last)), Excused(rows.index[hit])),
            )


def _log_answers(
    address: NDArray[np.int64], time: NDArray[np.int64], data: NDArray[np.int64], reads: LatchWrites, until: int
) -> float:
    """Log odds that memory holds what was written there, against a place where nobody answers, by the first read after
    each write; 0 at most, for memory that the board file does not name would answer as well."""
    mine = (reads.io == 0) & (reads.time <= until) & np.isin(reads.address, address)
    order = np.lexsort((time, address))
    address, time, data = address[order], time[order], data[order]
    place = np.searchsorted(_keys(address, time), _keys(reads.address[mine], reads.time[mine])) - 1
    after = (place >= 0) & (address[np.maximum(place, 0)] == reads.address[mine])
    place, first = np.unique(place[after], return_index=True)  # reads come in the order of time
    count = len(place)
    # Half a byte tells: the chip of the other half may be bad.
    odd = (reads.data[mine][after][first] ^ data[place]).astype(np.int64)
    as_written = int(np.count_nonzero((odd & 0x0F == 0) | (odd & 0xF0 == 0)))
    ways = [log_rate(as_written, count - as_written, prior) for prior in (_ANSWERS, _NOBODY)]
    return min(0.0, ways[0] - ways[1])


def _found_later(
    story: Story, address: NDArray[np.int64], time: NDArray[np.int64], data: NDArray[np.int64], since: int
) -> tuple[NDArray[np.intp], int]:
    """Rows of the wrong reads since then that give what was last written beside their cell (to ``address`` once the
    line is put right), not to the cell itself; and how many give something else."""
    rows = story.rows
    order = np.lexsort((time, address))
    address, time, data = address[order], time[order], data[order]
    key = story.address[rows.cell]
    bad = story.bad[rows.time[story.bad] > since]
    # The last such write of the cell before the read: keys of address and time, in order.
    place = np.searchsorted(_keys(address, time), _keys(key[bad], rows.time[bad])) - 1
    there = (place >= 0) & (address[np.maximum(place, 0)] == key[bad])
    before = np.where(story.since[bad] >= 0, rows.time[np.maximum(story.since[bad], 0)], -1)
    there &= time[np.maximum(place, 0)] > before
    asked, gave = bad[there], data[place[there]].astype(np.uint32)
    fits = ((rows.data[asked] ^ gave) & rows.compared[asked]) == 0
    return asked[fits], int(np.count_nonzero(~fits))


def _keys(address: NDArray[np.int64], time: NDArray[np.int64]) -> NDArray[np.void]:
    """One key each, in the order of address and then of time."""
    found = np.empty(len(address), np.dtype([("address", np.int64), ("time", np.int64)]))
    found["address"], found["time"] = address, time
    return found


def _most(story: Story, written: NDArray[np.int64]) -> float:
    """Nats that the line may gain at most; the addresses ``written`` would be memory were it at its other level."""
    used = set(np.unique(story.rows.region).tolist())
    left = [r for r in range(len(story.regions)) if r not in used]
    if all(story.regions[r].kind != "ram" for r in used):
        return _UNUSED
    beside = sum(bool(np.any(_within(story.regions[r], written))) for r in left)
    return min(_UNUSED, _UNNAMED * max(1, beside))


def _in_memory(story: Story, address: NDArray[np.int64]) -> NDArray[np.bool_]:
    found = np.zeros(len(address), np.bool_)
    for region in story.regions:
        found |= _within(region, address)
    return found


def _within(region: Region, address: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which addresses are memory of this region."""
    memory = region.space != "io" and region.kind == "ram"
    return (address >= region.start) & (address <= region.end) & memory


def _level(address: NDArray[np.int64], bit: int) -> int:
    return int(address[0] >> bit & 1) if len(address) else 0
