"""The channel kernel equals its slow twin on every capture, in blocks of any size."""

from __future__ import annotations

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from busledger.decoder.checks.probes import probe_kernel as kernel
from busledger.decoder.checks.probes.arrays import Carried, Tallies
from tests.reference.levels import arrays, captures
from tests.reference.probe_twin import ProbeTwin, bin_of

LINES = 6


def looked(rows, near, grid, clock, pair_rows, size):
    time, levels, unknown = arrays(rows, LINES)
    state, words = np.zeros(kernel.STATE_SIZE, np.int64), [np.zeros(1, np.uint64) for _ in range(3)]
    state[kernel.T_LAST] = -1
    channel = np.full((LINES, kernel.CHANNEL_SIZE), -1, np.int64)
    channel[:, [kernel.MOVES, kernel.RUNTS, kernel.OF_TWO, kernel.HIGH_TIME, kernel.UNKNOWN_TIME]] = 0
    periods, sums = (np.zeros((LINES, kernel.PERIOD_BINS), np.int64) for _ in range(2))
    phase, runt_phase = (np.zeros((LINES, kernel.PHASE_BINS), np.int64) for _ in range(2))
    together, bursts = np.zeros((LINES, LINES), np.int64), np.zeros(LINES + 2, np.int64)
    for start in range(0, len(rows), size):
        part = slice(start, start + size)
        kernel.look(
            time[part], levels[part], unknown[part], LINES, near, grid, clock, pair_rows, (0,),
            Carried(*words, state, np.zeros_like(words[0])),
            Tallies(channel, periods, sums, phase, runt_phase, together, bursts),
        )  # fmt: skip
    return state, channel, periods, sums, phase, runt_phase, together, bursts


@example(rows=[], near=0, grid=0, clock=-1, pair_rows=100, size=1)
@example(rows=[(t, [1, 0, 1, 0, None, 1]) for t in range(9)], near=3, grid=2, clock=0, pair_rows=100, size=4)
@settings(max_examples=60, deadline=None)
@given(
    rows=captures(LINES, most=60),
    near=st.sampled_from([0, 3, 12]),
    grid=st.sampled_from([2, 8]),
    clock=st.sampled_from([-1, 0]),
    pair_rows=st.sampled_from([15, 1000]),
    size=st.integers(1, 61),
)
def test_kernel_equals_twin(rows, near, grid, clock, pair_rows, size):
    found = looked(rows, near, grid, clock, pair_rows, size)
    state, channel, periods, sums, phase, runt_phase, together, bursts = found
    twin = ProbeTwin(rows, LINES, near, grid, clock, pair_rows, kernel.PHASE_BINS, kernel.PERIOD_BINS)
    for c in range(LINES):
        assert channel[c, kernel.MOVES] == len(twin.changes[c])
        assert channel[c, kernel.RUNTS] == twin.runts[c]
        assert channel[c, kernel.OF_TWO] == twin.of_two[c]
        assert channel[c, kernel.RUNT_FIRST] == twin.first_runt.get(c, -1)
        assert channel[c, kernel.SHORTEST] == twin.shortest.get(c, -1)
        assert channel[c, kernel.HIGH_TIME] == twin.high[c]
        assert channel[c, kernel.UNKNOWN_TIME] == twin.unknown[c]
        assert (channel[c, kernel.LONGEST], channel[c, kernel.LONGEST_AT]) == twin.longest.get(c, (-1, -1))
        for place in range(kernel.PERIOD_BINS):
            assert periods[c, place] == twin.periods[c, place]
            assert sums[c, place] == twin.sums[c, place]
        assert list(phase[c]) == [twin.phase[c, p] for p in range(kernel.PHASE_BINS)]
        assert list(runt_phase[c]) == [twin.runt_phase[c, p] for p in range(kernel.PHASE_BINS)]
        assert list(together[c]) == [twin.together[c, d] for d in range(LINES)]
    by_size = [0] * (LINES + 2)
    for burst, count in twin.bursts.items():
        by_size[min(burst, LINES + 1)] += count
    assert list(bursts) == by_size
    assert state[kernel.BURST_SIZE] == twin.open_burst


@given(st.integers(-5, 1 << 40))
def test_period_bins(ticks):
    assert kernel.period_bin(ticks) == bin_of(ticks, kernel.PERIOD_BINS)
