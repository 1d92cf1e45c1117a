"""Every channel of a capture by itself and beside its neighbours."""

from __future__ import annotations

import numpy as np
from numba import njit

from busledger.decoder.bits_kernel import binary_digits, lowest_bit
from busledger.decoder.inner_kernel import inner

# Columns of ``channel``; times are ticks, -1 = never.
(
    MOVES, RUNTS, SHORTEST, LAST, LAST_RISE, HIGH_TIME, UNKNOWN_TIME, UNKNOWN_SINCE, LONGEST, LONGEST_AT, RUNT_FIRST,
    OF_TWO,
) = range(12)  # fmt: skip
CHANNEL_SIZE = 12
# ``state``
ROWS, T_LAST, BURST_FROM, BURST_SIZE, CLOCK_RISE, CLOCK_PERIOD = range(6)
STATE_SIZE = 6
PERIOD_BINS = 1024
PHASE_BINS = 8


@njit(cache=True, nogil=True, _nrt=False)
def period_bin(ticks):
    """Sixteen bins an octave: exact below 16, then to one part in sixteen."""
    if ticks < 16:
        return ticks if ticks > 0 else 0
    high = binary_digits(np.uint64(ticks)) - 1
    return min((high - 3) * 16 + ((ticks >> (high - 4)) & 15), PERIOD_BINS - 1)


@inner(_nrt=False, forceinline=True)
def _eighth(since, period):
    """``since * PHASE_BINS // period`` of 0 <= since < period: a division takes longer than all else of a change."""
    left, part = since * PHASE_BINS, 0
    for step in (4, 2, 1):
        if left >= step * period:
            left -= step * period
            part += step
    return part


@inner(_nrt=False, forceinline=True)
def _burst(t, grid, state, bursts):
    """One more channel with a pulse of one sample; those within two samples are one burst."""
    if state[BURST_SIZE] > 0 and t - state[BURST_FROM] <= 2 * grid:
        state[BURST_SIZE] += 1
        return
    if state[BURST_SIZE] > 0:
        bursts[min(state[BURST_SIZE], bursts.shape[0] - 1)] += 1
    state[BURST_FROM] = t
    state[BURST_SIZE] = 1


@inner(_nrt=False, forceinline=True)
def _part(t, state):
    """The part of the clock's period that ``t`` lies in; -1 where none is known."""
    since = t - state[CLOCK_RISE]
    return _eighth(since, state[CLOCK_PERIOD]) if 0 < state[CLOCK_PERIOD] > since else np.int64(-1)


@inner(_nrt=False, forceinline=True)
def _pulse(c, t, near, grid, part, state, tallies):
    """Channel ``c`` changed at ``t``, in the ``part`` of the clock's period, -1 for none: how wide was the pulse?"""
    channel, _, _, phase, runt_phase, _, bursts = tallies
    last = channel[c, LAST]
    channel[c, MOVES] += 1
    if last >= 0 and channel[c, MOVES] > 1:
        width = t - last
        if channel[c, SHORTEST] < 0 or width < channel[c, SHORTEST]:
            channel[c, SHORTEST] = width
        if width <= near + grid and near > 0:
            if width <= near:
                channel[c, RUNTS] += 1
                if part >= 0:
                    runt_phase[c, part] += 1
                if channel[c, RUNT_FIRST] < 0:
                    channel[c, RUNT_FIRST] = last
                _burst(t, grid, state, bursts)
            else:
                channel[c, OF_TWO] += 1
    channel[c, LAST] = t
    if part >= 0:
        phase[c, part] += 1


@inner(_nrt=False, forceinline=True)
def _period(c, t, tallies):
    """Channel ``c`` rose at ``t``: how long after it rose last? 0 where it never did."""
    channel, periods, sums, _, _, _, _ = tallies
    before, period = channel[c, LAST_RISE], np.int64(0)
    if before >= 0:
        period = t - before
        place = period_bin(period)
        periods[c, place] += 1
        sums[c, place] += period
        if period > channel[c, LONGEST]:
            channel[c, LONGEST] = period
            channel[c, LONGEST_AT] = before
    channel[c, LAST_RISE] = t
    return period


@inner(_nrt=False, forceinline=True)
def _changes(t, w, now, levels, near, grid, clock, state, tallies):
    """The channels of word ``w`` that changed at ``t``: first those that rose, then those that fell, for which of the
    two a channel did nobody can foretell. The clock counts for the channels behind it at once, for those before it from
    the next row on."""
    channel = tallies.channel
    earlier = later = _part(t, state)
    ticks = clock - 64 * w
    if 0 <= ticks < 64 and (now & levels) >> np.uint64(ticks) & np.uint64(1) != np.uint64(0):
        period = _period(clock, t, tallies)
        if period > 0:
            state[CLOCK_PERIOD] = period
        state[CLOCK_RISE] = t
        later = _part(t, state)
    left = now & levels
    while left != np.uint64(0):
        b = lowest_bit(left)
        c = 64 * w + b
        left &= left - np.uint64(1)
        if c == clock:
            _pulse(c, t, near, grid, np.int64(-1), state, tallies)
            continue
        _period(c, t, tallies)
        _pulse(c, t, near, grid, earlier if c < clock else later, state, tallies)
    left = now & ~levels
    while left != np.uint64(0):
        b = lowest_bit(left)
        c = 64 * w + b
        left &= left - np.uint64(1)
        last = channel[c, LAST]
        if last >= 0:
            channel[c, HIGH_TIME] += t - last
        part = earlier if c < clock else later
        _pulse(c, t, near, grid, np.int64(-1) if c == clock else part, state, tallies)


@inner(_nrt=False, forceinline=True)
def _pairs(i, levels, now, moved, close, together, width):
    """Which channels changed together in row ``i`` (``now``), or a sample apart (``moved``, where ``close``), and to
    the same level."""
    for high in range(2):
        turn = np.uint64(0) if high else ~np.uint64(0)
        for w in range(len(width)):
            left = now[w] & (levels[i, w] ^ turn)
            while left != np.uint64(0):
                c = 64 * w + lowest_bit(left)
                left &= left - np.uint64(1)
                for v in range(len(width)):
                    alike = levels[i, v] ^ turn
                    mates = now[v] & alike  # the channel itself among them
                    while mates != np.uint64(0):
                        together[c, 64 * v + lowest_bit(mates)] += 1
                        mates &= mates - np.uint64(1)
                    if close:
                        mates = moved[v] & ~now[v] & alike
                        while mates != np.uint64(0):
                            d = 64 * v + lowest_bit(mates)
                            together[c, d] += 1
                            together[d, c] += 1
                            mates &= mates - np.uint64(1)


@njit(cache=True, nogil=True, _nrt=False)
def look(time, levels, unknown, channels, near, grid, clock, pair_rows, width, carried, tallies):
    """One block of raw channels; ``carried``, ``tallies``: ``Carried`` and ``Tallies`` of the caller.

    ``near`` ticks: a pulse no wider is one sample, two changes no further apart are
    together (0 = no sample grid); ``grid`` ticks a sample; ``clock`` the clock
    channel, -1 none; pairs are counted in the first ``pair_rows`` rows.
    """
    before, before_unknown, moved, state, now = carried
    channel, together = tallies.channel, tallies.together
    for i in range(time.shape[0]):
        t = time[i]
        first = state[ROWS] == 0
        state[ROWS] += 1
        for w in range(len(width)):
            lost = unknown[i, w]
            now[w] = np.uint64(0) if first else (levels[i, w] ^ before[w]) & ~lost & ~before_unknown[w]
            gone = lost ^ (np.uint64(0) if first else before_unknown[w])
            if gone != np.uint64(0):
                for c in range(64 * w, min(64 * w + 64, channels)):
                    one = np.uint64(1) << np.uint64(c - 64 * w)
                    if gone & one == np.uint64(0):
                        continue
                    if lost & one != np.uint64(0):
                        channel[c, UNKNOWN_SINCE] = t
                    else:
                        channel[c, UNKNOWN_TIME] += t - channel[c, UNKNOWN_SINCE]
                        channel[c, UNKNOWN_SINCE] = -1
                    channel[c, LAST] = t
        if first:
            for c in range(channels):
                channel[c, LAST] = t
        some = np.uint64(0)
        for w in range(len(width)):
            some |= now[w]
            if now[w] != np.uint64(0):
                _changes(t, w, now[w], levels[i, w], near, grid, clock, state, tallies)
        if some != np.uint64(0):
            if state[ROWS] <= pair_rows:
                close = near > 0 and state[T_LAST] >= 0 and t - state[T_LAST] <= near
                _pairs(i, levels, now, moved, close, together, width)
            state[T_LAST] = t
            for w in range(len(width)):
                moved[w] = now[w]
        for w in range(len(width)):
            before[w] = levels[i, w]
            before_unknown[w] = unknown[i, w]
    return np.int64(0)
