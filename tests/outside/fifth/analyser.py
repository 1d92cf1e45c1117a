"""A small analyser: asynchronous samples, skewed channels, noise where lines move, gaps; and what goes wrong at it."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import numpy as np

from tests.outside.fifth.wires import Levels, Times


@dataclass
class Analyser:
    """How the capture was taken."""

    rate_hz: float = 24e6
    skew_ns: float = 6.0
    bounce: float = 0.001  # share of edges of address and data lines that show twice
    stray: float = 0.0  # one-sample pulses per edge on any line but strobes
    gaps: list[tuple[float, float]] = field(default_factory=list)  # ns
    dump_off: bool = False
    off: dict[str, list[tuple[float, float]]] = field(default_factory=dict)  # clips off: line -> times
    off_level: int = 0
    loose: dict[str, tuple[float, float, float]] = field(default_factory=dict)  # line -> (from, to, chance per edge)
    swapped: tuple[str, str] | None = None
    bounced_by: tuple[str, int] | None = None  # a strobe that jumps when so many lines switch together
    strobe_noise: dict[str, float] = field(default_factory=dict)  # stray pulses on a strobe, per edge of it


Samples = dict[str, tuple[int, list[tuple[int, int]]]]


def sample(lines: dict[str, tuple[Times, Levels]], channels: list[str], how: Analyser, draw: random.Random,
           end_ns: float) -> tuple[Samples, float]:
    """Level at the start and changes (sample number, level) of each channel; the sample period in ns."""
    rng = np.random.default_rng(draw.getrandbits(32))
    period = 1e9 / how.rate_hz
    last = int(end_ns / period)
    out: Samples = {}
    source = dict(lines)
    if how.swapped:
        one, two = how.swapped
        source[one], source[two] = lines[two], lines[one]
    for line in channels:
        skew = draw.uniform(-how.skew_ns, how.skew_ns) / 2
        if line not in source:
            out[line] = (1, [])
            continue
        times, levels = source[line]
        times = np.maximum.accumulate(times + skew + rng.normal(0, 0.8, len(times)))
        data = line[0] in "AD" and line[1:].isdigit()
        extra_t: list[Times] = []
        extra_v: list[Levels] = []
        chance = how.bounce if data else 0.0
        if chance:
            hit = np.nonzero(rng.random(len(times)) < chance)[0]
            d = rng.uniform(3, 10, len(hit))
            room = following(times, times[hit]) > times[hit] + 2 * d + period
            hit, d = hit[room], d[room]
            extra_t += [times[hit] + d, times[hit] + 2 * d]
            extra_v += [1 - levels[hit], levels[hit]]
        chance = how.stray if data else how.strobe_noise.get(line, 0.0)
        if chance:
            hit = np.nonzero(rng.random(len(times)) < chance)[0]
            at = times[hit] + rng.uniform(5, 25 if data else 400, len(hit))
            at = at[following(times, at) > at + 2 * period]
            place = np.clip(np.searchsorted(times, at, side="right") - 1, 0, None)
            now = levels[place]
            extra_t += [at, at + period]
            extra_v += [1 - now, now]
        if extra_t:
            times = np.concatenate([times, *extra_t])
            levels = np.concatenate([levels, *extra_v])
            order = np.argsort(times, kind="stable")
            times, levels = times[order], levels[order]
        number = np.ceil(times / period).astype(np.int64)
        number = np.maximum(number, 0)
        keep = np.ones(len(number), dtype=bool)
        keep[:-1] = number[1:] != number[:-1]
        number, levels = number[keep], levels[keep]
        keep = np.ones(len(levels), dtype=bool)
        keep[1:] = levels[1:] != levels[:-1]
        changes = [(int(n), int(v)) for n, v in zip(number[keep], levels[keep], strict=True) if n <= last]
        first = changes[0][1] if changes and changes[0][0] == 0 else (1 - changes[0][1] if changes else 1)
        changes = [one for one in changes if one[0] > 0]
        if line in how.off:
            first, changes = cut(first, changes, [(int(a / period), int(b / period)) for a, b in how.off[line]],
                                 how.off_level)
        if line in how.loose:
            first, changes = contact(first, changes, how.loose[line], period, how.off_level, draw)
        out[line] = (first, changes)
    if how.bounced_by:
        ground(out, how.bounced_by, draw)
    for begin, finish in how.gaps:
        low, high = max(1, int(begin / period)), int(finish / period)
        for line in channels:
            out[line] = lost(*out[line], low, high)
    return out, period


def lost(first: int, changes: list[tuple[int, int]], low: int, high: int) -> tuple[int, list[tuple[int, int]]]:
    """No samples in a span: at its end the line has the level that it has by then."""
    before = [one for one in changes if one[0] < low]
    within = [one for one in changes if low <= one[0] <= high]
    return tidy(first, [*before, *([(high, within[-1][1])] if within else []),
                        *(one for one in changes if one[0] > high)])


def following(times: Times, when: Times) -> Times:
    """The next edge after each moment."""
    where = np.searchsorted(times, when, side="right")
    return np.where(where < len(times), times[np.minimum(where, len(times) - 1)], np.inf)


def cut(first: int, changes: list[tuple[int, int]], spans: list[tuple[int, int]], level: int) -> tuple[
        int, list[tuple[int, int]]]:
    """A clip off during spans of samples: a level, whatever the line does."""
    kept: list[tuple[int, int]] = []
    begin_off = any(low <= 0 for low, _ in spans)
    for low, high in spans:
        here = first
        for at, value in changes:
            if at <= high:
                here = value
        kept += [(max(low, 1), level), (high, here)]
    kept += [one for one in changes if not any(low <= one[0] <= high for low, high in spans)]
    return tidy(level if begin_off else first, kept)


def contact(first: int, changes: list[tuple[int, int]], how: tuple[float, float, float], period: float, level: int,
            draw: random.Random) -> tuple[int, list[tuple[int, int]]]:
    """A clip that barely touches: now and then, for some edges, nothing comes through."""
    low, high = int(how[0] / period), int(how[1] / period)
    kept: list[tuple[int, int]] = []
    deaf = False
    for at, value in changes:
        if low <= at <= high:
            if draw.random() < (how[2] if not deaf else 0.25):
                deaf = not deaf
        else:
            deaf = False
        kept.append((at, level if deaf else value))
    return tidy(first, kept)


def tidy(first: int, changes: list[tuple[int, int]]) -> tuple[int, list[tuple[int, int]]]:
    """Sorted, without changes that change nothing."""
    out: list[tuple[int, int]] = []
    now = first
    for at, value in sorted(changes, key=lambda one: one[0]):
        if value != now:
            out.append((at, value))
            now = value
    return first, out


def ground(out: Samples, how: tuple[str, int], draw: random.Random) -> None:
    """The analyser's ground lead is long: when many lines fall in one sample, a strobe seems to jump for a sample."""
    strobe, many = how
    count: dict[int, int] = {}
    for line, (_, changes) in out.items():
        if line != strobe:
            for at, value in changes:
                if value == 0:
                    count[at] = count.get(at, 0) + 1
    first, changes = out[strobe]
    moments = [at for at, n in sorted(count.items()) if n >= many and draw.random() < 0.7]
    taken = {at for at, _ in changes}
    extra: list[tuple[int, int]] = []
    place, now = 0, first
    for at in moments:
        while place < len(changes) and changes[place][0] <= at:
            now = changes[place][1]
            place += 1
        if not {at, at + 1, at - 1, at + 2} & taken:
            extra += [(at, 1 - now), (at + 1, now)]
    out[strobe] = tidy(first, [*changes, *extra])
