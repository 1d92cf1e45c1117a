"""What wrong reads of a part that is bad in a way not listed look like: any pattern, or some again and again; and when
they come: each level at times of its own."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from busledger.decoder.diagnosis.replay.study import Rows
from busledger.decoder.diagnosis.replay.urns import log_urn
from busledger.decoder.diagnosis.replay.weighing import HARD, SOMETIMES, log_chances, log_rate, log_sum

__all__ = ["log_by_level", "log_by_word", "log_patterns"]

# Half of what is bad in an unlisted way keeps to no pattern; of the rest, as many keep to lanes as to what they give
# (an output stage that swings as a whole gives all lanes high or all low), and a few to what they gave last (outputs
# that are dead for a while stay where they are). Judged.
_SHARES = (0.5, 0.22, 0.22, 0.06)
# Of lanes that are bad in an unlisted way, those that read each level at times of its own: one that answers to nothing
# at times shows its open level where it is read then, and what it held before wherever it was written then. Judged.
_BY_LEVEL = 0.25
# Of parts of several lanes that are bad in an unlisted way, those that give of each word the same thing every time:
# outputs that pull each other down, or two of them exchanged inside. Judged.
_BY_WORD = 0.15


def log_patterns(rows: Rows, mask: int) -> float:
    """Log probability of the patterns of the wrong reads that are news, given that they are wrong.

    ``rows``: narrowed to ``mask`` (see leaf_rows). Four ideas, averaged: each of the 2ᵏ − 1 patterns of wrong lanes
    is as likely as the others; those seen before are likelier, or the values seen before are (a Pólya urn: a
    Dirichlet prior of weight one over all; Blackwell and MacQueen 1973, from memory), or the value just seen is, as
    often as it is (a Beta(1, 1) prior).
    """
    news = (rows.event != 0) & (rows.wrong != 0)
    count = int(np.count_nonzero(news))
    lanes = mask.bit_count()
    if count == 0 or lanes < 2:
        return 0.0
    even = -count * math.log(2.0**lanes - 1.0)
    by_lanes = log_urn(rows.wrong[news], 2.0**lanes - 1.0)
    by_value = log_urn(rows.data[news] & np.uint32(mask), 2.0**lanes)
    stays = _log_stays(rows.data[news] & np.uint32(mask), 2.0**lanes)
    ideas = (even, by_lanes, by_value, stays)
    return log_sum([math.log(s) + like for s, like in zip(_SHARES, ideas, strict=True)])


def _log_stays(values: NDArray[np.uint32], kinds: float) -> float:
    """Log probability of values of which each is the one before again, at one rate, or any of the others."""
    again = int(np.count_nonzero(values[1:] == values[:-1]))
    others = len(values) - 1 - again
    return log_rate(again, others, (1.0, 1.0)) - others * math.log(kinds - 1.0) - math.log(kinds)


def log_by_level(rows: Rows, mask: int, at_any_time: float, log_slips: float) -> float:
    """Log likelihood of when the wrong reads of a part come that is bad in a way not listed.

    ``at_any_time``: where both levels come with one habit; of a single lane that showed both they may have one each:
    the level comes read by read, or lies in the cells until they are written again, beside what comes or goes without a
    write (``log_slips``). ``rows``: narrowed to ``mask``.
    """
    if mask.bit_count() > 1:
        return at_any_time
    lane = np.uint32(mask)
    right = (rows.compared & lane != 0) & (rows.wrong == 0)
    each, stays = 0.0, log_slips
    for level in (np.uint32(0), lane):
        shown = rows.data & lane == level
        news, acts = rows.by_window((rows.event != 0) & shown), rows.by_window((rows.wrong != 0) & shown)
        misses = rows.by_window(right & (rows.expected & lane != level))
        if not news.any():
            return at_any_time  # of one level alone listed faults tell
        each += log_chances(acts, misses, (int(acts.sum()), int(misses.sum())))
        stays += log_chances(news, misses, (int(news.sum()), int(misses.sum())))
    own = log_sum([each, stays]) - math.log(2.0)
    return log_sum([math.log1p(-_BY_LEVEL) + at_any_time, math.log(_BY_LEVEL) + own])


def log_by_word(rows: Rows, mask: int, otherwise: float) -> float:
    """Log likelihood of what a part gives that is bad in a way not listed: ``otherwise``, or it gives the same of each
    word every time, which is the word itself with an even chance, and else any other. Then right reads are foretold as
    wrong ones are.

    ``rows``: narrowed to ``mask``; reads that tell of some of its lanes alone come wrong at a rate of their own, with a
    half for each lane.
    """
    lanes = mask.bit_count()
    if lanes < 2:
        return otherwise
    read = ~rows.is_write & (rows.compared != 0)
    whole = read & (rows.compared == np.uint32(mask))
    due, given = rows.expected[whole] & np.uint32(mask), rows.data[whole] & np.uint32(mask)
    kinds, often = np.unique((due.astype(np.uint64) << np.uint64(32)) | given, return_counts=True)
    if not len(kinds):
        return otherwise
    of_word = kinds >> np.uint64(32)
    order = np.lexsort((often, of_word))
    last = order[np.append(np.flatnonzero(np.diff(of_word[order])), len(order) - 1)]  # what each word gave most often
    itself = int(np.count_nonzero(of_word[last] == kinds[last] & np.uint64(0xFFFFFFFF)))
    agree = int(often[last].sum())
    other, odd = math.log(2.0**lanes - 1.0), len(due) - agree
    own = -len(last) * math.log(2.0) - (len(last) - itself) * other + log_rate(agree, odd, HARD) - odd * other
    left, bad = read & ~whole, rows.wrong != 0
    own += log_rate(int(np.count_nonzero(left & bad)), int(np.count_nonzero(left & ~bad)), SOMETIMES)
    own -= float(np.bitwise_count(rows.compared[left & bad]).sum()) * math.log(2.0)
    return log_sum([math.log1p(-_BY_WORD) + otherwise, math.log(_BY_WORD) + own])
