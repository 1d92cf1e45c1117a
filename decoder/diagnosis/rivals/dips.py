"""An address clip that loses its level now and then, for as long as an access or two: a loose contact.

The read gives what lies at the address with the line's other level, as from a card that takes the line wrongly now and
then. What parts the two is the processor: it counts on from the address that it gave. A card's fault leaves the
addresses on the bus as they were; a clip shows one out of line between two that follow each other with the other level,
in all traffic, whatever is read there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_chances, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rests import spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.transfers import traffic
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["dips"]

_LOG_ODD = math.log(50.0)
"""Nats that an access which goes on from the other address tells. Judged: of a program's accesses some in a hundred lie
beside the one before by chance, having jumped there."""
_OUT_OF_LINE = (1.0, 1.0)  # Beta prior of the share of accesses without the clip that are out of line
_FEW = 3  # reads that go on so, at the least
_NEAR = 3  # cycles to the access before or after, refreshes and idle ones between them
_NEARLY_ALL = 0.9  # of the wrong reads
# Beta prior, judged: how often a program of its own puts an access between two that lie two addresses apart, with just
# one line of the address between them the other way.
_BY_CHANCE = (0.3, 3.0e3)


def dips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Rivals for address lines."""
    rows = story.rows
    wrong = rows.wrong != 0
    if np.count_nonzero(wrong) < _FEW:
        return
    walk = _Walk.of(story)
    for bit, line in signs.address_lines.items():
        if bit >= story.study.cells.shift:
            there, here = _going_on(story, 1 << bit)
            if np.count_nonzero(there & wrong) >= _FEW and not _at_rest(signs, bit, rows.time[there & wrong]):
                yield from _dip(story, bit, line, len(signs.names), walk, (there, here))
            elif walk.most(bit) >= _FEW and not _at_rest(signs, bit, rows.time[wrong]):
                yield from _out_of_line(story, bit, line, len(signs.names), walk)


@dataclass(frozen=True)
class _Walk:
    """The accesses between two that lie two addresses apart, outside the regions too: int64, ticks, the address that a
    program which walks on would give, and how what was seen differs from it."""

    time: NDArray[np.int64]
    given: NDArray[np.int64]
    off: NDArray[np.int64]

    @classmethod
    def of(cls, story: Story) -> _Walk:
        time, address = traffic(story)
        step = 1 << story.study.cells.shift
        word = address // step * step
        # One that is read again, or written back, is no step of a walk: it would be out of line by the lowest line.
        again = word[1:] == word[:-1]
        there = 1 + np.flatnonzero((word[2:] - word[:-2] == 2 * step) & ~again[1:] & ~again[:-1])
        given = word[there - 1] + step
        return cls(time[there], given, word[there] ^ given)

    def level(self, bit: int, level: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Ticks of the accesses out of line by the line alone, seen at ``level``; those of others that could have been.
        """
        other = self.given >> bit & 1 != level
        return self.time[other & (self.off == 1 << bit)], self.time[other & (self.off == 0)]

    def most(self, bit: int) -> int:
        """Accesses out of line, of the level that has more."""
        return max(len(self.level(bit, level)[0]) for level in (0, 1))

    def joined(
        self, bit: int, news: NDArray[np.int64], open_: NDArray[np.int64], span: tuple[int, int]
    ) -> tuple[int, int]:
        """(acts, chances missed) of the line between the ticks ``span``: reads that came wrong at the ticks ``news``,
        or right at those of ``open_``, and accesses that came out of line or did not. A loose clip asks nobody what is
        read, so they have one rate."""
        mine = replace(self, **{
            name: getattr(self, name)[(self.time >= span[0]) & (self.time <= span[1])]
            for name in ("time", "given", "off")
        })  # fmt: skip
        out, in_line = max((mine.level(bit, level) for level in (0, 1)), key=lambda one: len(one[0]))
        asked = open_[(open_ >= span[0]) & (open_ <= span[1])]
        return len(np.union1d(news, out)), len(np.union1d(asked, in_line))


def _out_of_line(story: Story, bit: int, line: str, lines: int, walk: _Walk) -> Iterator[Rival]:
    """By accesses out of line, whatever they read; ``lines`` clipped in all."""
    rows = story.rows
    wrong = rows.wrong != 0
    level = max((0, 1), key=lambda one: len(walk.level(bit, one)[0]))
    out, in_line = walk.level(bit, level)
    hit, open_ = either_side(story, partners_of(story, bit))
    asked = rows.time[open_ != 0]
    explained = wrong & (hit != 0)
    hits, count = int(np.count_nonzero(hit == 1)), int(np.count_nonzero(wrong))
    if np.count_nonzero(explained) < _NEARLY_ALL * count or 2 * hits < count:
        return
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[wrong & (hit == 2)]) * math.log(2.0)
    news = wrong & (story.repeat != kernel.SAME)
    acts, missed = walk.joined(bit, rows.time[news], asked, (int(walk.time[0]), int(walk.time[-1])))
    own = log_rate(acts, missed, SOMETIMES) - unknown - math.log(2.0)
    index = rows.index[explained]
    shown = "high" if level else "low"
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True) - math.log(max(1, lines)),
        log_own=own - log_rate(len(out), len(in_line), _BY_CHANCE),
        explains=len(index),
        summary=f"the clip on {line} is loose: at times it shows {shown} whatever the line is, in "
        f"{counted(len(out), 'access', 'accesses')} between two that follow each other with {line} the other way",
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


def _going_on(story: Story, bit: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether an access lies beside the one before or after at the address with the line's other level; and as it was
    seen, the other not being so."""
    rows = story.rows
    address = story.address[rows.cell] >> story.study.cells.shift
    flipped = address ^ (bit >> story.study.cells.shift)
    found = []
    # An address that is read again is polled: with the lowest line the other way it would lie beside itself.
    near = (np.diff(rows.index) <= _NEAR) & ~rows.is_write[1:] & ~rows.is_write[:-1] & (np.diff(address) != 0)
    for mine in (flipped, address):
        beside = np.zeros(len(rows), np.bool_)
        beside[1:] |= near & (mine[1:] == address[:-1] + 1)
        beside[:-1] |= near & (address[1:] == mine[:-1] + 1)
        found.append(beside)
    return found[0] & ~found[1], found[1] & ~found[0]


def _dip(
    story: Story, bit: int, line: str, lines: int, walk: _Walk, beside: tuple[NDArray[np.bool_], NDArray[np.bool_]]
) -> Iterator[Rival]:
    """By wrong reads that lie between others with the line the other way; ``beside`` as ``_going_on`` gives it, and
    ``lines`` clipped in all."""
    rows = story.rows
    there, here = beside
    wrong = rows.wrong != 0
    hit, open_ = either_side(story, partners_of(story, bit))
    hits = int(np.count_nonzero(hit == 1))
    on, as_seen = int(np.count_nonzero(there & wrong)), int(np.count_nonzero(here & wrong))
    # Where it is off for several accesses at once only the first and the last are out of line.
    odds = on * _LOG_ODD + log_rate(on, as_seen, _OUT_OF_LINE)
    if hits < _NEARLY_ALL * np.count_nonzero(wrong) or odds <= 0.0:
        return
    news = wrong & (story.repeat != kernel.SAME)
    odd = news & (hit != 1)
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[odd]) * math.log(2.0)
    when = rows.time[wrong]
    acts, missed = walk.joined(bit, rows.time[news], rows.time[open_ != 0], (int(when[0]), int(when[-1])))
    own = _log_spells(rows, news, open_ != 0, acts, missed) - unknown + odds
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
            f"{on} of them lie between addresses that follow each other with {line} the other way, {as_seen} as they "
            "were seen: a fault of the card would leave the addresses on the bus as they are",
        ),
        next_step=f"Clean and reseat the clip on {line}, and capture again.",
        stops_judging=True,
        index=index,
        taken=Excused(index),
    )
