"""What wrong reads of a part that is bad in a way not listed look like: any pattern, or some again and again."""

from __future__ import annotations

import math

import numpy as np

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.urns import log_urn
from busledger.decoder.diagnosis.replay.weighing import log_sum

__all__ = ["log_patterns"]

# Half of what is bad in an unlisted way keeps to no pattern; of the rest, as many keep to lanes as to what they give
# (an output stage that swings as a whole gives all lanes high or all low). Judged.
_SHARES = (0.5, 0.25, 0.25)


def log_patterns(rows: Rows, mask: int) -> float:
    """Log probability of the patterns of the wrong reads that are news, given that they are wrong.

    ``rows``: narrowed to ``mask`` (see leaf_rows). Three ideas, averaged: each of the 2ᵏ − 1 patterns of wrong lanes
    is as likely as the others; those seen before are likelier, or the values seen before are (a Pólya urn: a
    Dirichlet prior of weight one over all; Blackwell and MacQueen 1973, from memory).
    """
    news = (rows.event != 0) & (rows.wrong != 0)
    count = int(np.count_nonzero(news))
    lanes = mask.bit_count()
    if count == 0 or lanes < 2:
        return 0.0
    even = -count * math.log(2.0**lanes - 1.0)
    by_lanes = log_urn(rows.wrong[news], 2.0**lanes - 1.0)
    by_value = log_urn(rows.data[news] & np.uint32(mask), 2.0**lanes)
    return log_sum([math.log(s) + like for s, like in zip(_SHARES, (even, by_lanes, by_value), strict=True)])
