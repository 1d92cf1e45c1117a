"""An address clip that loses its level now and then, for as long as an access or two: a loose contact.

The read gives what lies at the address with the line's other level, as from a card that takes the line wrongly now and
then. What parts the two is the processor: it counts on from the address that it gave. A card's fault leaves the
addresses on the bus as they were; a clip shows one out of line between two that follow each other with the other level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals import story_kernel as kernel
from busledger.decoder.diagnosis.rivals.rests import spans_of_rest
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["dips"]

_LOG_ODD = math.log(50.0)
"""Nats that an access which goes on from the other address tells. Judged: of a program's accesses some in a hundred lie
beside the one before by chance, having jumped there."""
_FEW = 3  # reads that go on so, at the least
_NEAR = 3  # cycles to the access before or after, refreshes and idle ones between them
_NEARLY_ALL = 0.9  # of the wrong reads


def dips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """Rivals for address lines."""
    rows = story.rows
    wrong = rows.wrong != 0
    if np.count_nonzero(wrong) < _FEW:
        return
    for bit, line in signs.address_lines.items():
        if bit >= story.study.cells.shift:
            there, here = _going_on(story, 1 << bit)
            if np.count_nonzero(there & wrong) >= _FEW and not _at_rest(signs, bit, rows.time[there & wrong]):
                yield from _dip(story, bit, line, len(signs.names), there, here)


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
    for mine in (flipped, address):
        beside = np.zeros(len(rows), np.bool_)
        near = (np.diff(rows.index) <= _NEAR) & ~rows.is_write[1:] & ~rows.is_write[:-1]
        beside[1:] |= near & (mine[1:] == address[:-1] + 1)
        beside[:-1] |= near & (address[1:] == mine[:-1] + 1)
        found.append(beside)
    return found[0] & ~found[1], found[1] & ~found[0]


def _dip(
    story: Story, bit: int, line: str, lines: int, there: NDArray[np.bool_], here: NDArray[np.bool_]
) -> Iterator[Rival]:
    """``there``, ``here`` as ``_going_on`` gives them; ``lines`` clipped in all."""
    rows = story.rows
    wrong = rows.wrong != 0
    hit, open_ = either_side(story, partners_of(story, bit))
    hits = int(np.count_nonzero(hit == 1))
    on, as_seen = int(np.count_nonzero(there & wrong)), int(np.count_nonzero(here & wrong))
    if hits < _NEARLY_ALL * np.count_nonzero(wrong) or on <= as_seen:
        return
    odd = wrong & (hit != 1) & (story.repeat != kernel.SAME)
    unknown = sum(int(lanes).bit_count() for lanes in rows.compared[odd]) * math.log(2.0)
    news = int(np.count_nonzero(wrong & (story.repeat != kernel.SAME)))
    index = rows.index[wrong]
    yield Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of("clip-noisy", chips=True) - math.log(max(1, lines)),
        log_own=log_rate(news, int(np.count_nonzero(open_)), SOMETIMES) - unknown + (on - as_seen) * _LOG_ODD,
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
