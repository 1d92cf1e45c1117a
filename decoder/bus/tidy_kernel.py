"""Between the two passes: spans that a false sample made or cut in two.

An analyser may show one false sample, mostly where a line rings at an edge. A span of a sample among
spans many times longer is no cycle; a pause of a sample among pauses many times longer is no end.
Raises nothing and knows no names.
"""

import numpy as np
from numba import njit

STROBE, GAP = 0, 2
UNSEEN = 1
TIMES_SHORTER = 4


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _follow(usual, value):
    """A running median: a small step from ``usual`` toward ``value``."""
    if usual == 0:
        return value
    step = max(np.int64(1), usual // 16)
    if value > usual:
        return usual + step
    return usual - step if value < usual else usual


@njit(cache=True, nogil=True, _nrt=False, inline="always")
def _usual_length(usual, s):
    """The usual length of strobe s; the shortest of the others for one that has not been seen yet; 0 = none known."""
    shortest = usual[s, 0]
    if shortest == 0:
        for k in range(usual.shape[0]):
            if usual[k, 0] > 0 and (shortest == 0 or usual[k, 0] < shortest):
                shortest = usual[k, 0]
    return shortest


@njit(cache=True, nogil=True, _nrt=False, inline="always")
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
    such strobes are passed through. usual int64 (strobes, 3): usual length, usual pause, end of the last span
    (-1 none); carries over. limit: ticks up to which a span or pause may be a false sample. now: time of the last
    row seen. ``final``: nothing comes after.
    Returns (events done, events kept, spans dropped); events not done stay where they are.
    """
    made, dropped = 0, 0
    for e in range(events.shape[0]):
        s, begin, end = events[e, 1], events[e, 3], events[e, 5]
        if events[e, 0] == GAP:
            for k in range(usual.shape[0]):
                usual[k, 2] = -1
        if events[e, 0] != STROBE or counted_at_begin[s]:
            made = _keep(events, e, made)
            continue
        follower = -1
        for f in range(e + 1, events.shape[0]):
            if events[f, 0] == GAP or (events[f, 0] == STROBE and events[f, 1] == s):
                follower = f if events[f, 0] == STROBE else -2
                break
        if follower == -1 and not final and (now <= end + limit or (spans[s, 0] == 1 and spans[s, 2] <= end + limit)):
            return e, made, dropped
        if follower >= 0:
            pause = events[follower, 3] - end
            if pause <= limit and pause * TIMES_SHORTER < usual[s, 1]:
                events[follower, 2], events[follower, 3] = events[e, 2], begin
                events[follower, 6] |= events[e, 6]
                continue
        length = end - begin
        if length <= limit and length * TIMES_SHORTER < _usual_length(usual, s) and not events[e, 6] & UNSEEN:
            dropped += 1
            continue
        if not events[e, 6] & UNSEEN:
            usual[s, 0] = _follow(usual[s, 0], length)
        if usual[s, 2] >= 0:
            usual[s, 1] = _follow(usual[s, 1], begin - usual[s, 2])
        usual[s, 2] = end
        made = _keep(events, e, made)
    return events.shape[0], made, dropped
