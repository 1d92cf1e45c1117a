"""What memory shows, once a data line's clip is back, of what was written while it was off.

The program wrote its data as ever, and the recording shows one level of that lane throughout. So cells come back with
the level that was seen or with the other one, as the data had it; where next to none shows the other, it was the data
that left the lane alone for a while.
"""

from __future__ import annotations

import math

import numpy as np

from busledger.decoder.diagnosis.replay.weighing import log_rate, log_sum
from busledger.decoder.diagnosis.rivals.fillings import log_turns
from busledger.decoder.diagnosis.rivals.story import Story

__all__ = ["log_written_without"]

_ANY = (1.0, 1.0)  # Beta prior of the share of cells that show the other level
_AS_WRITTEN = (0.2, 0.2)  # of a level that a word of a pattern always has, or nearly. Judged


def log_written_without(story: Story, lane: np.uint32, first: int, last: int) -> float:
    """Log probability of the levels on ``lane`` (a mask of one bit), in the first read of each cell after the tick
    ``last`` that was written from ``first`` on: at a rate that nobody knows; at one for each word on the other lanes,
    as the patterns of a test have it; or by turns in the order of writing, as of data that go by the address, all as
    likely."""
    rows = story.rows
    began, ended = np.searchsorted(rows.time, [first, last + 1])
    later = np.flatnonzero((story.since >= began) & (story.since < ended) & (rows.compared & lane != 0))
    later = later[(later >= ended) & rows.is_write[story.since[later]]]
    if not len(later):
        return 0.0
    later = later[np.unique(rows.cell[later], return_index=True)[1]]
    other = (rows.wrong[later] & lane) != 0
    word = np.unique(rows.data[later] & ~lane, return_inverse=True)[1]
    by_word = np.bincount(word, weights=other), np.bincount(word, weights=~other)
    each = sum(log_rate(int(k), int(n), _AS_WRITTEN) for k, n in zip(*by_word, strict=True))
    in_turn = log_turns(other[np.argsort(story.since[later], kind="stable")])
    return log_sum([log_rate(int(other.sum()), int((~other).sum()), _ANY), each, in_turn]) - math.log(3.0)
