"""``probes``: the health of every channel, before anything is believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from busledger.decoder.bus import Profile
from busledger.decoder.capture import Capture
from busledger.decoder.checks.lines import sampled_grid
from busledger.decoder.checks.probes import probe_kernel as kernel
from busledger.decoder.checks.probes.arrays import Carried, Tallies
from busledger.decoder.checks.probes.probe_counts import ProbeCounts
from busledger.decoder.checks.probes.probe_verdict import probes_result
from busledger.decoder.checks.probes.silence import Silence
from busledger.decoder.checks.probes.walk import Walk
from busledger.decoder.checks.results import ProbesResult

__all__ = ["ProbesCheck"]

PAIR_ROWS = 1 << 22
"""Pairs of channels are compared in so many rows: enough to know, and the cost stays bounded."""


class ProbesCheck:
    """Raw channels in, their health out; needs no cycles.

    Parameters
    ----------
    names : channels in the order of their bits in the blocks
    tick_fs, grid_ticks : as the capture has them; grid None = no sample grid
    lines : channel → bus line, where a wiring is known
    profile : the bus, where it is known: names the clock and the lines that must move
    """

    def __init__(
        self,
        names: Sequence[str],
        tick_fs: int,
        grid_ticks: float | None,
        lines: Mapping[str, str] | None = None,
        profile: Profile | None = None,
    ) -> None:
        self._names, self._tick_fs = tuple(names), tick_fs
        self._lines = dict(lines or {})
        self._profile = profile
        self._grid = sampled_grid(grid_ticks, tick_fs)
        self._near = 0 if self._grid is None else int(1.5 * self._grid)
        self._silence = Silence()
        self._walk = Walk(self._names, self._lines, profile, self._near)
        self._clock = self._named_clock()
        n, words = len(self._names), max(1, (len(self._names) + 63) // 64)
        self._before = np.zeros(words, np.uint64)
        self._before_unknown = np.zeros(words, np.uint64)
        self._moved = np.zeros(words, np.uint64)
        self._now = np.zeros(words, np.uint64)
        self._state = np.zeros(kernel.STATE_SIZE, np.int64)
        self._state[kernel.T_LAST] = -1
        self._channel = np.full((n, kernel.CHANNEL_SIZE), -1, np.int64)
        zeroed = [kernel.MOVES, kernel.RUNTS, kernel.OF_TWO, kernel.HIGH_TIME, kernel.UNKNOWN_TIME]
        self._channel[:, zeroed] = 0
        self._periods = np.zeros((n, kernel.PERIOD_BINS), np.int64)
        self._sums = np.zeros((n, kernel.PERIOD_BINS), np.int64)
        self._phase = np.zeros((n, kernel.PHASE_BINS), np.int64)
        self._runt_phase = np.zeros((n, kernel.PHASE_BINS), np.int64)
        self._together = np.zeros((n, n), np.int64)
        self._bursts = np.zeros(n + 2, np.int64)
        self._span: tuple[int, int] | None = None
        self._gaps: list[tuple[int, int]] = []

    def _named_clock(self) -> int:
        wanted = self._profile.clock.line if self._profile is not None else None
        for index, name in enumerate(self._names):
            if wanted is not None and self._lines.get(name, name) == wanted:
                return index
        return -1

    def feed(self, block: Capture) -> None:
        """One block of raw channels."""
        self._gaps += [(gap.start, gap.end) for gap in block.gaps]
        if not len(block):
            return
        start = self._span[0] if self._span is not None else int(block.time[0])
        self._span = (start, int(block.time[-1]))
        grid = 0 if self._grid is None else int(np.ceil(self._grid))
        self._walk.feed(block)
        if self._clock < 0:
            self._silence.feed(block)
        kernel.look(
            block.time, block.levels, block.unknown, len(self._names), self._near, grid, self._clock, PAIR_ROWS,
            (0,) * len(self._before),
            Carried(self._before, self._before_unknown, self._moved, self._state, self._now),
            Tallies(self._channel, self._periods, self._sums, self._phase, self._runt_phase, self._together,
                    self._bursts),
        )  # fmt: skip

    def finish(self) -> ProbesResult:
        """Every channel, the clock, and what to doubt."""
        bursts = self._bursts.copy()
        if self._state[kernel.BURST_SIZE] > 0:
            bursts[min(self._state[kernel.BURST_SIZE], len(bursts) - 1)] += 1
        counts = ProbeCounts(
            names=self._names,
            lines=self._lines,
            profile=self._profile,
            tick_fs=self._tick_fs,
            grid_ticks=self._grid,
            clock=self._clock,
            span=self._span or (0, 0),
            gaps=tuple(self._gaps),
            levels=self._before,
            channel=self._channel,
            periods=self._periods,
            sums=self._sums,
            phase=self._phase,
            runt_phase=self._runt_phase,
            together=self._together,
            bursts=bursts,
            walk=self._walk,
            silence=self._silence,
        )
        return probes_result(counts)
