"""The slow twin of the decoder kernel: one decoder, one row at a time, edges kept in lists."""

from __future__ import annotations

from collections import Counter

__all__ = ["SelectTwin"]


class SelectTwin:
    """``table``: for each input row the output words that are possible. Times are ticks."""

    def __init__(self, table, outputs, *, open_high, idle, one_hot, settle, skew, bin_ticks, bins, early_bins):
        self.table, self.n = table, outputs
        self.open_high, self.idle, self.one_hot = open_high, idle, one_hot
        self.settle, self.skew, self.bin = settle, skew, bin_ticks
        self.bins, self.early_bins = bins, early_bins
        self.rows, self.seen, self.wrong, self.first = Counter(), Counter(), Counter(), {}
        self.delay, self.widths, self.glitch, self.when = Counter(), Counter(), Counter(), {}
        self.tally = Counter()
        self.multi_first = None
        self.started = False

    def row(self, t, inputs, outs, strobed, fresh, idle, around=0, strobes=True):
        """One row: input levels and output levels (0, 1, None), whether a strobe is active, the bus idle.

        ``around``: what the address lines that are no inputs show; ``strobes``: whether any strobe is clipped.
        """
        if not self.started or fresh:
            self.around, self.around_at = around, t
        known = not idle and None not in inputs
        index = sum(level << k for k, level in enumerate(inputs)) if known else None
        if not self.started or fresh:
            self._begin(t, index, outs, strobed)
            return
        if index != self.index:
            if self.index is None:
                self.tally["unjudged"] += 1
            elif t - self.since > self.settle + self.skew:
                spans = [*self.strobed, *([(self.strobe_since, t)] if self.strobe_since is not None else [])]
                inside = max((end - max(begin, self.since) for begin, end in spans), default=0)
                self._judge(t, not strobes or inside > self.skew)
            else:
                self.tally["short"] += 1
            if index is None or self.index is None:
                self.based = False
            else:
                if not self.moved:
                    self.first_move = t
                self.moved |= index ^ self.index
            self.since, self.index = t, index
            self.high = [0] * self.n
            self.strobed = []
        if around != self.around:
            self.around, self.around_at = around, t
        self._edges(t, outs, strobed)
        if not strobed and self.strobe_since is not None:
            self.strobed.append((self.strobe_since, t))
        self.strobe_since = (t if self.strobe_since is None else self.strobe_since) if strobed else None

    def _begin(self, t, index, outs, strobed):
        self.started, self.index, self.outs = True, index, list(outs)
        self.since = self.first_move = t
        self.based, self.moved = False, 0
        self.strobe_since = t if strobed else None
        self.strobed = []  # strobes that ended since the inputs last moved
        self.base = [None] * self.n
        # (time, level before it, strobe around the pulse it closes, how long the other address lines had held still,
        # whether a strobe was active)
        self.edges = [[] for _ in range(self.n)]
        self.last = [None] * self.n
        self.high = [0] * self.n

    def _edges(self, t, outs, strobed):
        for o, level in enumerate(outs):
            was = self.outs[o]
            if (was is None) != (level is None):
                self.base[o], self.edges[o], self.last[o] = None, [], t
            elif was is not None and level != was:
                self.glitch[o, "moves"] += 1
                if was:
                    self.high[o] += max(t - max(self.last[o] or -1, self.since + self.settle), 0)
                inside = bool(
                    self.edges[o]
                    and strobed
                    and self.strobe_since is not None
                    and self.strobe_since <= self.last[o] - self.skew
                )
                active = strobed and self.strobe_since is not None and self.strobe_since <= t - self.skew
                self.edges[o].append((t, was, inside, t - self.around_at, active))
                self.last[o] = t
        self.outs = list(outs)

    def _judge(self, t, matters):
        calm, observed, carried = self.since + self.settle, [], []
        for o, level in enumerate(self.outs):
            high = self.high[o]
            if level:
                high += max(t - self.skew - max(-1 if self.last[o] is None else self.last[o], calm), 0)
            open_pulse = level is not None and (2 * high > t - self.skew - calm) != (level == 1) and bool(self.edges[o])
            carried.append(open_pulse)
            observed.append(None if level is None else 1 - level if open_pulse else level)
        expected, bad = self._nearest(observed)
        self.rows[self.index] += matters
        self.tally["judged" if matters else "unjudged"] += 1
        active = [o for o, v in enumerate(observed) if v is not None and v != (self.idle >> o) & 1]
        called = [o for o, v in enumerate(observed) if v is not None and (expected >> o) & 1 != (self.idle >> o) & 1]
        if matters and self.one_hot and len(active) > 1 and len(active) > len(called):
            self.tally["multi"] += 1
            self.multi_first = self.since if self.multi_first is None else self.multi_first
        for o, value in enumerate(observed):
            if value is None:
                self.base[o], self.edges[o] = None, []
                continue
            self.seen[self.index, o, value] += matters
            if matters and o in bad:
                self.wrong[self.index, o] += 1
                self.first.setdefault((self.index, o), self.since)
            rest = self.edges[o][:-1] if carried[o] else self.edges[o]
            # The last edge closes a pulse even where it is carried over, as it does in the row it came in.
            self._span(o, value, len(rest), carried[o], expected)
            self.base[o] = value
            self.edges[o] = [(self.last[o], value, False, *self.edges[o][-1][3:])] if carried[o] else []
        self.based, self.moved = True, 0

    def _nearest(self, observed):
        best = None
        for word in self.table[self.index]:
            bad = set()
            for o, value in enumerate(observed):
                should = (word >> o) & 1
                if value is not None and value != should and not (should and (self.open_high >> o) & 1):
                    bad.add(o)
            if best is None or len(bad) < len(best[1]):
                best = (word, bad)
        return best

    def _span(self, o, value, edges, carried, expected):
        if not self.based or self.base[o] is None:
            return
        moved_over = value != self.base[o]
        extra = (edges - moved_over) // 2
        pairs = list(zip(self.edges[o], self.edges[o][1:], strict=False))
        pulses = [(b[0] - a[0], a[0], b[1], b[2], a[3] > self.settle and b[3] >= b[0] - a[0]) for a, b in pairs]
        if extra > 0 and pulses:
            width, began, level, _, calm = min(pulses, key=lambda p: p[0])
            quiet = began > self.since + self.settle
            possible = any(
                (word >> o) & 1 == level
                for index in range(len(self.table))
                if (index ^ self.index) & ~self.moved == 0
                for word in self.table[index]
            )
            passing = not calm or (not quiet and possible)
            self.glitch[o, "passing" if passing else "unexplained"] += extra
            if not passing:
                self.when.setdefault((o, "unexplained"), began)
            strobed = [p[1] for p in pulses if p[3]]
            if strobed:
                self.glitch[o, "strobe"] += 1
                self.when.setdefault((o, "strobe"), strobed[-1])
            self.glitch[o, "widest"] = max(self.glitch[o, "widest"], width)
            self.widths[o, min(max((width + self.bin // 2) // self.bin, 0), self.bins - 1)] += extra
        if edges == 1 and not carried and moved_over and self.moved and self.first_move == self.since:
            late_by = self.last[o] - self.since
            if (expected >> o) & 1 == value and late_by >= -self.skew:
                place = (late_by + self.bin // 2) // self.bin + self.early_bins
                self.delay[o, min(max(place, 0), self.bins - 1)] += 1
                still, active = self.edges[o][0][3:]
                if active and min(late_by, still) > 2 * self.settle - self.skew:
                    self.glitch[o, "late"] += 1
                    self.when.setdefault((o, "late"), self.last[o])
