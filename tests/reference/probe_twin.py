"""The slow twin of the channel kernel: every channel's history as a list, judged afterwards."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

__all__ = ["ProbeTwin", "bin_of"]


def bin_of(ticks: int, bins: int) -> int:
    """Sixteen bins an octave from 16 up, one bin a tick below."""
    if ticks < 16:
        return max(ticks, 0)
    octave = ticks.bit_length() - 1
    return min((octave - 3) * 16 + (ticks >> (octave - 4)) % 16, bins - 1)


class ProbeTwin:
    """``rows``: (time, levels) with None for unknown; the other arguments as the kernel's."""

    def __init__(self, rows, channels, near, grid, clock, pair_rows, phases, bins):
        self.changes = [[] for _ in range(channels)]  # (time, new level)
        self.fixed = [[] for _ in range(channels)]  # when the channel became known or unknown
        self.periods, self.sums, self.phase, self.together = Counter(), Counter(), Counter(), Counter()
        self.runt_phase = Counter()
        self.of_two = Counter()
        self.runts, self.first_runt, self.high, self.shortest = Counter(), {}, Counter(), {}
        self.unknown = Counter()
        self.longest = {}
        runt_times = []
        last = dict.fromkeys(range(channels), rows[0][0]) if rows else {}
        lost = {c: rows[0][0] for c in range(channels) if rows and rows[0][1][c] is None}
        rise, period = None, None
        rises = {}
        moved, moved_at = [], None
        for count, (before, now) in enumerate(pairwise(rows), start=2):
            t = now[0]
            for c in range(channels):
                if (before[1][c] is None) != (now[1][c] is None):
                    last[c] = t
                    if now[1][c] is None:
                        lost[c] = t
                    else:
                        self.unknown[c] += t - lost.pop(c)
            here = [c for c in range(channels) if None not in (before[1][c], now[1][c]) and before[1][c] != now[1][c]]
            for c in here:
                level = now[1][c]
                width = t - last[c]
                runt = False
                self.changes[c].append((t, level))
                if not level:
                    self.high[c] += width
                if len(self.changes[c]) > 1:
                    self.shortest[c] = min(width, self.shortest.get(c, width))
                    if near and width <= near:
                        runt = True
                        self.runts[c] += 1
                        self.first_runt.setdefault(c, last[c])
                        runt_times.append(t)
                    elif near and width <= near + grid:
                        self.of_two[c] += 1
                if level:
                    if c in rises:
                        span = t - rises[c]
                        self.periods[c, bin_of(span, bins)] += 1
                        self.sums[c, bin_of(span, bins)] += span
                        if span > self.longest.get(c, (-1, 0))[0]:
                            self.longest[c] = (span, rises[c])
                        period = span if c == clock else period
                    rises[c] = t
                    rise = t if c == clock else rise
                last[c] = t
                if c != clock and period is not None and t - rise < period:
                    self.phase[c, (t - rise) * phases // period] += 1
                    self.runt_phase[c, (t - rise) * phases // period] += runt
            if here and count <= pair_rows:
                earlier = moved if near and moved_at is not None and t - moved_at <= near else []
                for c in here:
                    self.together[c, c] += 1
                    for d in here:
                        if d != c and now[1][d] == now[1][c]:
                            self.together[c, d] += 1
                    for d in earlier:
                        # A channel that became unknown meanwhile counts as low, as its bit does.
                        if d != c and d not in here and (now[1][d] or 0) == now[1][c]:
                            self.together[c, d] += 1
                            self.together[d, c] += 1
            if here:
                moved, moved_at = here, t
        self.bursts = Counter()
        self.open_burst = 0
        began = None
        for t in runt_times:
            if began is not None and t - began <= 2 * grid:
                self.open_burst += 1
                continue
            if began is not None:
                self.bursts[self.open_burst] += 1
            began, self.open_burst = t, 1
