"""Lines as lists of changes: in continuous time (ns) on the card, in sample numbers in the capture."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Levels = npt.NDArray[np.uint8]

X = 2
"""The level of a sample that the analyser could not read as low or high."""


@dataclass(frozen=True)
class Line:
    """One line: its level before the first change, and its changes in order of time."""

    first: int
    t: Times
    v: Levels

    def at(self, when: Times) -> Levels:
        """The levels at the given moments (a change counts from its own moment on)."""
        levels = np.concatenate((np.array([self.first], np.uint8), self.v))
        return levels[np.searchsorted(self.t, when, side="right")]


def tidy(first: int, t: npt.ArrayLike, v: npt.ArrayLike) -> Line:
    """Sort changes by time; of several at one moment the last stays; what changes nothing goes."""
    times = np.asarray(t, np.float64)
    levels = np.asarray(v, np.uint8)
    order = np.argsort(times, kind="stable")
    times, levels = times[order], levels[order]
    if len(times):
        last = np.append(times[1:] != times[:-1], True)
        times, levels = times[last], levels[last]
        before = np.concatenate((np.array([first], np.uint8), levels[:-1]))
        moves = levels != before
        times, levels = times[moves], levels[moves]
    return Line(first, times, levels)


def constant(level: int) -> Line:
    """A line that never moves."""
    return Line(level, np.empty(0), np.empty(0, np.uint8))


def combine(lines: Sequence[Line], logic: Callable[..., Levels], delay: float = 0.0) -> Line:
    """The output of a gate: `logic` gets one array of levels per input line."""
    when = np.unique(np.concatenate([line.t for line in lines]))
    out = np.asarray(logic(*[line.at(when) for line in lines])).astype(np.uint8)
    firsts = [np.array([line.first], np.uint8) for line in lines]
    first = int(np.asarray(logic(*firsts)).astype(np.uint8)[0])
    return tidy(first, when + delay, out)


def slow_gate(line: Line, narrowest: float) -> Line:
    """What a gate with inertia makes of a line: pulses narrower than this do not come through."""
    t, v = line.t, line.v
    while len(t) > 1:
        short = np.diff(t) < narrowest
        if not short.any():
            break
        starts = short & ~np.concatenate((np.array([False]), short[:-1]))
        keep = np.ones(len(t), bool)
        where = np.flatnonzero(starts)
        keep[where] = False
        keep[where + 1] = False
        t, v = t[keep], v[keep]
    return tidy(line.first, t, v)


def sample(line: Line, period: float, late: float, samples: int) -> Line:
    """The line as an analyser sees it: changes at sample numbers; `late` ns is the channel's own delay."""
    index = np.ceil((line.t + late) / period)
    early = index <= 0
    first = int(line.v[early][-1]) if early.any() else line.first
    inside = ~early & (index < samples)
    return tidy(first, index[inside], line.v[inside])


def pulses(line: Line, starts: npt.ArrayLike, lengths: npt.ArrayLike) -> Line:
    """Invert the line for the given stretches (sample numbers)."""
    begin = np.asarray(starts, np.float64)
    end = begin + np.asarray(lengths, np.float64)
    if not len(begin):
        return line
    edges = np.concatenate((begin, end))
    steps = np.concatenate((np.ones(len(begin), int), -np.ones(len(begin), int)))
    when = np.unique(np.concatenate((line.t, edges)))
    order = np.argsort(edges, kind="stable")
    total = np.concatenate((np.zeros(1, int), np.cumsum(steps[order])))
    inverted = total[np.searchsorted(edges[order], when, side="right")] > 0
    level = line.at(when)
    return tidy(line.first, when, np.where(inverted & (level != X), 1 - level % X, level))


def held(line: Line, level: int, begin: float, end: float) -> Line:
    """The line forced to one level from sample `begin` up to `end`."""
    after = line.at(np.array([end]))[0]
    out = (line.t < begin) | (line.t >= end)
    times = np.concatenate((line.t[out], np.array([begin, end])))
    levels = np.concatenate((line.v[out], np.array([level, after], np.uint8)))
    if begin <= 0:
        keep = times > 0
        return tidy(level, times[keep], levels[keep])
    return tidy(line.first, times, levels)


def patched(line: Line, level: int, starts: Ints, lengths: Ints) -> Line:
    """The line forced to one level for many short, separate stretches."""
    begin = np.asarray(starts, np.float64)
    end = begin + np.asarray(lengths, np.float64)
    if not len(begin):
        return line
    when = np.unique(np.concatenate((line.t, begin, end)))
    order = np.argsort(begin)
    slot = np.searchsorted(begin[order], when, side="right") - 1
    covered = (slot >= 0) & (when < end[order][np.maximum(slot, 0)])
    return tidy(line.first, when, np.where(covered, level, line.at(when)))
