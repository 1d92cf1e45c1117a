"""A loose clip on a line that carries address and data in turn: both come wrong on the same bit, at the same level.

A card's fault bends the one or the other: what follows the address latch knows nothing of the data, and a data bus
that is stuck at times leaves the address as it was. The clip is before both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.coverage.signs import CaptureSigns
from busledger.decoder.diagnosis.replay.weighing import SOMETIMES, log_rate
from busledger.decoder.diagnosis.rivals.rests import prior_of_line
from busledger.decoder.diagnosis.rivals.rival import Excused, Rival, prior_of
from busledger.decoder.diagnosis.rivals.sides import either_side, partners_of
from busledger.decoder.diagnosis.rivals.story import Story
from busledger.decoder.diagnosis.rivals.words import counted

__all__ = ["loose_clips"]

_LEAST = 3  # wrong reads by the address, and by the data: judged, fewer may be anything
_EVEN = (0.5, 0.5)  # Beta prior: of accesses whose address it spoils, those whose data it spoils as well


def loose_clips(story: Story, signs: CaptureSigns) -> Iterator[Rival]:
    """One rival for each shared line and level at which it shows both."""
    if not story.rows.wrong.any():
        return
    for bit, line in signs.address_lines.items():
        shared = [lane for lane, name in signs.data_lines.items() if name == line]
        if len(shared) != 1 or bit < story.study.cells.shift:
            continue
        led, open_, blind = _astray(story, bit)
        for level in (0, 1):
            found = _loose(story, line, (bit, shared[0]), level, (led, open_, blind))
            if found is not None:
                yield found


def _astray(story: Story, bit: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """A value a row: wrong reads that the cell on the other side of the address bit explains, right ones that it would
    have shown, wrong ones of which nothing is known on one of the sides."""
    hit, open_ = either_side(story, partners_of(story, bit))
    return hit == 1, open_ != 0, hit == 2


def _loose(
    story: Story, line: str, bits: tuple[int, int], level: int,
    astray: tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]],
) -> Rival | None:  # fmt: skip
    rows = story.rows
    bit, lane = bits
    mask = np.uint32(1 << lane)
    here = story.address[rows.cell] >> bit & 1 == level  # what the clip made of the address
    wrong, right = rows.wrong != 0, (rows.compared != 0) & (rows.wrong == 0)
    at_level = (rows.data >> np.uint32(lane) & 1) == level
    bent = wrong & (rows.wrong == mask) & at_level
    written = wrong & (rows.wrong == mask) & ~at_level & (story.since >= 0)
    led = astray[0] & here & ~bent & ~written
    blind = astray[2] & here & ~bent & ~written
    # A contact that is open for a whole access spoils its address, and then its data.
    other_lanes, _ = either_side(story, partners_of(story, bit), lanes=0xFFFFFFFF & ~int(mask))
    both = (other_lanes == 1) & wrong & here & at_level & ~bent & ~written & ~led & ~blind
    if np.count_nonzero(bent | written) < _LEAST or np.count_nonzero(led) < _LEAST:
        return None
    asked = right & (rows.compared & mask != 0)
    own = log_rate(int(np.count_nonzero(bent)), int(np.count_nonzero(asked & ~at_level)), SOMETIMES)
    own += log_rate(int(np.count_nonzero(written)), int(np.count_nonzero(asked & at_level)), SOMETIMES)
    own += log_rate(int(np.count_nonzero(led | blind | both)), int(np.count_nonzero(astray[1] & here)), SOMETIMES)
    # Whether its data were spoilt, too, or not.
    own += log_rate(int(np.count_nonzero(both)), int(np.count_nonzero(led)), _EVEN)
    own -= sum(int(lanes).bit_count() for lanes in rows.compared[blind]) * math.log(2.0)
    explained = bent | written | led | blind | both
    by_data, by_address = int(np.count_nonzero(bent | written)), int(np.count_nonzero(led | blind | both))
    return Rival(
        fault="clip-noisy",
        scope="clip",
        lines=(line,),
        log_prior=prior_of_line(story) + prior_of("clip-noisy", chips=True) - prior_of("clip-off", chips=True),
        log_own=own - math.log(2.0),
        explains=int(np.count_nonzero(explained)),
        summary=f"the clip on {line} is loose: at times it shows {'high' if level else 'low'} whatever the line is, in "
        "addresses and data alike",
        evidence=(
            f"{counted(by_data, 'wrong read')} are wrong on this line alone, and {counted(by_address, 'more', 'more')} "
            "give what belongs to the address with it at its other level",
        ),
        next_step=f"Clean and reseat the clip on {line} and its ground, and capture again.",
        stops_judging=True,
        index=rows.index[explained],
        taken=Excused(rows.index[explained]),
    )
