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
def _one_change(c, t, high, part, near, grid, clock, state, tallies):
    """Channel ``c`` changed at ``t``, in the ``part`` of the clock's period, to ``high``; returns the part for those
    behind it."""
    channel, periods, sums, phase, runt_phase, _, bursts = tallies
    last = channel[c, LAST]
    width = t - last if last >= 0 else np.int64(0)
    channel[c, HIGH_TIME] += np.int64(0) if high else width
    channel[c, MOVES] += 1
    channel[c, LAST] = t
    if c != clock and part >= 0:
        phase[c, part] += 1
    if last >= 0 and channel[c, MOVES] > 1:
        if channel[c, SHORTEST] < 0 or width < channel[c, SHORTEST]:
            channel[c, SHORTEST] = width
        if width <= near + grid and near > 0:
            if width <= near:
                channel[c, RUNTS] += 1
                if c != clock and part >= 0:
                    runt_phase[c, part] += 1
                if channel[c, RUNT_FIRST] < 0:
                    channel[c, RUNT_FIRST] = last
                _burst(t, grid, state, bursts)
            else:
                channel[c, OF_TWO] += 1
    if not high:
        return part
    before = channel[c, LAST_RISE]
    channel[c, LAST_RISE] = t
    if before >= 0:
        period = t - before
        place = period_bin(period)
        periods[c, place] += 1
        sums[c, place] += period
        if period > channel[c, LONGEST]:
            channel[c, LONGEST] = period
            channel[c, LONGEST_AT] = before
        if c == clock:
            state[CLOCK_PERIOD] = period
    if c == clock:
        state[CLOCK_RISE] = t
        return _part(t, state)
    return part


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
        some, part = np.uint64(0), _part(t, state)
        for w in range(len(width)):
            some |= now[w]
            left, level = now[w], levels[i, w]
            while left != np.uint64(0):
                b = lowest_bit(left)
                left &= left - np.uint64(1)
                high = (level >> np.uint64(b)) & np.uint64(1) != np.uint64(0)
                part = _one_change(64 * w + b, t, high, part, near, grid, clock, state, tallies)
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
