"""Between the two passes: spans that a false sample made or cut in two.

An analyser may show one false sample, mostly where a line rings at an edge. A span of a sample among
spans many times longer is no cycle; a pause of a sample among pauses many times longer is no end.
Raises nothing and knows no names.
"""

import numpy as np
from numba import njit

from busledger.decoder.bus.columns_kernel import (
    BEGIN_ROW,
    BEGIN_TIME,
    DOUBTS,
    END_TIME,
    LAST_END,
    LENGTH,
    PAUSE,
    SPAN_TIME,
    STATE,
    WHAT,
    WHICH,
)
from busledger.decoder.inner_kernel import INNER

STROBE, GAP = 0, 2
UNSEEN = 1
TIMES_SHORTER = 4


@njit(**INNER, _nrt=False, forceinline=True)
def _follow(usual, value):
    """A running median: a small step from ``usual`` toward ``value``."""
    if usual == 0:
        return value
    step = max(np.int64(1), usual // 16)
    if value > usual:
        return usual + step
    return usual - step if value < usual else usual


@njit(**INNER, _nrt=False, forceinline=True)
def _usual_length(usual, s):
    """The usual length of strobe s; the shortest of the others for one that has not been seen yet; 0 = none known."""
    shortest = usual[s, LENGTH]
    if shortest == 0:
        for k in range(usual.shape[0]):
            if usual[k, LENGTH] > 0 and (shortest == 0 or usual[k, LENGTH] < shortest):
                shortest = usual[k, LENGTH]
    return shortest


@njit(**INNER, _nrt=False, forceinline=True)
def _keep(events, e, made):
    """Move event e up to row ``made``; returns how many are kept now."""
    if made < e:
        for column in range(events.shape[1]):
            events[made, column] = events[e, column]
    return made + 1


@njit(cache=True, nogil=True, _nrt=False)
def tidy(events, spans, counted_at_begin, usual, limit, now, final):
    """Leave the events that are certain, in order, in the first rows of ``events``; joined spans begin earlier.

    events int64 (m, 7) and spans int64 (strobes, 4) as ``scan`` makes them. counted_at_begin int64 (strobes,):
    such strobes are passed through. usual int64 (strobes, 3): as ``columns_kernel`` names its columns, -1 where no
    span has ended; carries over. limit: ticks up to which a span or pause may be a false sample. now: time of the last
    row seen. ``final``: nothing comes after.
    Returns (events done, events kept, spans dropped); events not done stay where they are.
    """
    made, dropped = 0, 0
    for e in range(events.shape[0]):
        s, begin, end = events[e, WHICH], events[e, BEGIN_TIME], events[e, END_TIME]
        if events[e, WHAT] == GAP:
            for k in range(usual.shape[0]):
                usual[k, LAST_END] = -1
        if events[e, WHAT] != STROBE or counted_at_begin[s]:
            made = _keep(events, e, made)
            continue
        follower = -1
        for f in range(e + 1, events.shape[0]):
            if events[f, WHAT] == GAP or (events[f, WHAT] == STROBE and events[f, WHICH] == s):
                follower = f if events[f, WHAT] == STROBE else -2
                break
        if (
            follower == -1
            and not final
            and (now <= end + limit or (spans[s, STATE] == 1 and spans[s, SPAN_TIME] <= end + limit))
        ):
            return e, made, dropped
        if follower >= 0:
            pause = events[follower, BEGIN_TIME] - end
            if pause <= limit and pause * TIMES_SHORTER < usual[s, PAUSE]:
                events[follower, BEGIN_ROW], events[follower, BEGIN_TIME] = events[e, BEGIN_ROW], begin
                events[follower, DOUBTS] |= events[e, DOUBTS]
                continue
        length = end - begin
        if length <= limit and length * TIMES_SHORTER < _usual_length(usual, s) and not events[e, DOUBTS] & UNSEEN:
            dropped += 1
            continue
        if not events[e, DOUBTS] & UNSEEN:
            usual[s, LENGTH] = _follow(usual[s, LENGTH], length)
        if usual[s, LAST_END] >= 0:
            usual[s, PAUSE] = _follow(usual[s, PAUSE], begin - usual[s, LAST_END])
        usual[s, LAST_END] = end
        made = _keep(events, e, made)
    return events.shape[0], made, dropped
