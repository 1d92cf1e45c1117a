"""Two chips that drive one lane, one of which holds what nobody knows: how often the lane comes out wrong."""

from __future__ import annotations

import math

import numpy as np

from busledger.decoder.diagnosis.replay.memory_kernel import NOBODY_KNOWS
from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.theory import PathFault
from busledger.decoder.diagnosis.scoring import Scored

__all__ = ["log_fights"]

# The two hold the same level every second time, and then the lane is right; else either wins as often as the other.
_WRONG = 0.25
_OPEN = 0.9  # of the lanes of the reads explained: so many are open only where the other chip's contents are unknown


def log_fights(scored: Scored, rows: Rows) -> float:
    """Log likelihood of which lanes of the wrong reads are wrong, beside even chances, if levels fight and nobody knows
    who wins; 0 of other faults, and where the other chip's contents are known: its lanes are open where they differ.
    Never above 0: that few lanes are wrong, again and again the same ones, is what no fight of all of them makes."""
    behaviour, tally = scored.variant.behaviour, scored.effect.tally
    if not isinstance(behaviour, PathFault) or behaviour.joins != NOBODY_KNOWS or not tally.unsure_bits:
        return 0.0
    regions = np.array(scored.candidate.regions, np.int16)
    bad = np.flatnonzero((rows.wrong != 0) & np.isin(rows.region, regions))
    mask = np.uint32(scored.candidate.mask)
    each = np.bitwise_count(rows.compared[bad] & mask).astype(np.int64)
    lanes = int(each.sum())
    if tally.unsure_bits < _OPEN * lanes:
        return 0.0
    wrong = int(np.bitwise_count(rows.wrong[bad] & mask).sum())
    told = wrong * math.log(2.0 * _WRONG) + (lanes - wrong) * math.log(2.0 * (1.0 - _WRONG))
    # Of the wrong reads alone, in which one lane is wrong at the least.
    told -= float(np.log1p(-((1.0 - _WRONG) ** each[each > 0])).sum())
    return min(0.0, told)
