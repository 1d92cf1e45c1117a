"""What a clip that is off an address line makes of the reads, played as an address line that is stuck at times.

To the cells it is all one whether the card takes a line for low that is high, or the recording does: in either case
accesses go to the other side of it. So the reads are played through the replay that weighs the card's own line, from
when the clip came off to when it was back, and what parts the two is what the line itself shows beside any read.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.memory_kernel import ANY_TIME, ASLEEP, AWAKE
from busledger.decoder.diagnosis.replay.replay import PathRun, Tables
from busledger.decoder.diagnosis.replay.replay_kernel import WINDOWS
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.replay.weighing import hours_of, log_sometimes
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["log_led_astray"]

_ROUNDS = 3  # played again with the bursts that the last time showed, as a fault's is


def log_led_astray(
    story: Story, bit: int, level: int, first: int, last: int, *, seldom: bool = False
) -> tuple[float, NDArray[np.bool_]]:
    """Log probability of what reads gave, and which wrong ones it explains, if from row ``first`` to before row
    ``last`` the address ``bit`` was at its other level at times, where it is shown at ``level``.

    What was written in that time to the other side is known wrongly after it, too. ``seldom``: most accesses are as
    they are shown, so that nothing is to be learnt from what would be if all went astray.
    """
    rows, study = story.rows, story.study
    regions = tuple(range(len(story.regions)))
    fault = PathFault("forced-board", (bit, 1 - level), study.card.data_mask, regions)
    there = np.zeros(WINDOWS, np.bool_)
    there[rows.window[first:last]] = True
    tables = Tables(study)
    tries = [_played(story, fault, tables, there, begun) for begun in ((ANY_TIME,) if seldom else (ANY_TIME, AWAKE))]
    own, explained = max(tries, key=lambda one: one[0])
    explained[:first] = False
    explained[last:] &= story.since[last:] < last  # once the clip is back no access goes astray any more
    return own, explained


def _played(
    story: Story, fault: PathFault, tables: Tables, there: NDArray[np.bool_], begun: int
) -> tuple[float, NDArray[np.bool_]]:
    """Played in the windows ``there``, at first as if it were at work in them or not as ``begun`` says."""
    rows, bits = story.rows, story.study.data_bits
    hours = np.where(there, np.uint8(begun), np.uint8(ASLEEP))
    best, found = -math.inf, np.zeros(len(rows), np.bool_)
    for _ in range(_ROUNDS):
        run = PathRun(fault, tables, hours)
        explained = run.feed(rows, want_rows=True).explained
        effect = run.effects()[1]
        # What came right while the clip was on says nothing of the time in which it was off.
        chances = effect.chances.copy()
        chances[~there, 1] = 0
        told = effect.tally._replace(misses=int(chances[:, 1].sum()))
        own = log_sometimes(told, chances, bits, hours=hours)
        if own <= best:
            break
        best, found = own, explained != 0
        bursts = hours_of(chances)
        if bursts is None or (np.where(there, bursts, np.uint8(ASLEEP)) == hours).all():
            break
        hours = np.where(there, bursts, np.uint8(ASLEEP))
    return best, found
