"""Pins over time, drawn by hand: what a data sheet's timing diagram shows, as a capture.

``put`` draws levels at nanoseconds; ``capture`` gives every change as it happened (1 ns ticks), or what
an asynchronous analyser would have sampled, each channel late by its own fraction of a sample.
"""

from __future__ import annotations

import random
from collections import defaultdict

import numpy as np

from busledger.decoder.bus import KIND_NAMES, CycleExtractor, Cycles, Flag, Layout, line_needs, load_profile
from busledger.decoder.bus.ranges import line_names
from busledger.decoder.capture import Capture, Signal
from busledger.decoder.wiring import bind


class Wave:
    """Levels of named lines; a line never drawn is not wired."""

    def __init__(self):
        self.changes = defaultdict(dict)

    def put(self, at_ns, lines, value):
        """``value`` on ``lines`` ("RD", or "A0-A15": the first line is bit 0; None = unknown) from ``at_ns`` on."""
        for bit, name in enumerate(line_names(lines)):
            self.changes[name][round(at_ns)] = None if value is None else value >> bit & 1
        return self

    def series(self, times_ns, lines, values):
        """``values[n]`` on ``lines`` from ``times_ns[n]`` on, for many cycles at once."""
        times = np.round(np.asarray(times_ns)).astype(np.int64).tolist()
        values = np.broadcast_to(np.asarray(values, np.int64), len(times))
        for bit, name in enumerate(line_names(lines)):
            self.changes[name].update(zip(times, (values >> bit & 1).tolist(), strict=True))
        return self

    def pulses(self, line, begin_ns, end_ns, level=0):
        """``pulse`` for many cycles at once."""
        return self.series(begin_ns, line, level).series(end_ns, line, 1 - level)

    def idle(self, **levels):
        """Levels at time 0."""
        for name, level in levels.items():
            self.put(0, name, level)
        return self

    def pulse(self, line, begin_ns, end_ns, level=0):
        """``level`` on ``line`` between two times, the other level after."""
        return self.put(begin_ns, line, level).put(end_ns, line, 1 - level)

    @property
    def lines(self):
        return sorted(self.changes)

    def columns(self, names, grid_ns=None, seed=0):
        """(time, levels, unknown) with ``names[k]`` as bit k; sampled every ``grid_ns`` if given."""
        end = max(max(c) for c in self.changes.values()) + 2000
        if grid_ns is None:
            times = sorted({0, end, *(t for c in self.changes.values() for t in c)})
        else:
            times = [round(i * grid_ns) for i in range(int(end / grid_ns))]
        late = random.Random(seed)
        times = np.array(times, np.int64)
        levels = np.zeros((len(times), (len(names) + 63) // 64), np.uint64)
        unknown = np.zeros_like(levels)
        for k, name in enumerate(names):
            skew = late.random() * grid_ns if grid_ns else 0
            steps = sorted(self.changes[name].items())
            states = np.array([-1, *(-1 if level is None else level for _, level in steps)])
            state = states[np.searchsorted([at for at, _ in steps], times - skew, side="right")]
            bit = np.uint64(1 << (k % 64))
            levels[state == 1, k // 64] |= bit
            unknown[state < 0, k // 64] |= bit
        keep = np.ones(len(times), bool)
        keep[1:] = ((levels[1:] != levels[:-1]) | (unknown[1:] != unknown[:-1])).any(axis=1)
        return times[keep], levels[keep], unknown[keep]

    def decode(self, profile, grid_ns=None, seed=0, grade=None):
        """(cycles, extractor) of this wave on a bus; ``profile`` is a name or a Profile."""
        profile = load_profile(profile) if isinstance(profile, str) else profile
        lines = self.lines
        layout = Layout(profile, bind([Signal(n) for n in lines], line_needs(profile)))
        time, levels, unknown = self.columns([lines[i] for i in layout.select], grid_ns, seed)
        extractor = CycleExtractor(profile, layout, 1_000_000, grid_ns, grade)
        first = extractor.feed(Capture(time, levels, unknown, 1_000_000))
        return Cycles.concat([first, extractor.finish()]), extractor


def told(cycles, flags=False, width=False, unknown=False):
    """Each cycle as (kind, address, data[, lanes][, flags]); data None where every bit is unknown."""
    rows = []
    for i in range(len(cycles)):
        silent = cycles.width[i] == 0 or int(cycles.data_unknown[i]) == 0xFFFFFFFF
        data = None if silent else int(cycles.data[i])
        row = [KIND_NAMES[cycles.kind[i]], int(cycles.address[i]), data]
        if width:
            row.append(int(cycles.width[i]))
        if flags:
            row.append(Flag(int(cycles.flags[i])))
        rows.append(tuple(row))
    return rows


def both(wave, profile, grid_ns=10.0, seeds=(1, 2), **how):
    """The cycles of a wave as ``told``, and the same from asynchronous samples; they must not differ."""
    cycles, _ = wave.decode(profile)
    rows = told(cycles, **how)
    for seed in seeds:
        sampled, _ = wave.decode(profile, grid_ns, seed)
        assert told(sampled, **how) == rows
    return rows
