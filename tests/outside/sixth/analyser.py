"""The logic analyser: its own clock, a skew for each channel, strays of one sample, missing samples, and the VCD file.

Small analysers sample 12-100 MHz; channels differ by up to a sample (a few ns in the pod, thresholds on slow edges).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
from numpy.typing import NDArray

from .waves import Edges

Ints = NDArray[np.int64]


@dataclass
class Clips:
    """How the analyser is set up, and what is wrong with its clips."""

    rate: float  # MHz
    hidden: set[str] = field(default_factory=set)
    strays: int = 0
    gap: tuple[float, float] | None = None  # ns
    off: dict[str, tuple[float, float, int]] = field(default_factory=dict)  # line: from, to (ns), level read meanwhile
    noisy: dict[str, float] = field(default_factory=dict)  # line: toggles per us
    exchanged: tuple[str, str] | None = None
    names: dict[str, str] = field(default_factory=dict)
    begin: float = 0.0  # ns: the capture starts here


def lines_of(edges: Edges, wide: int = 16) -> dict[str, tuple[NDArray[np.float64], Ints]]:
    """Take buses apart into lines: times and levels of each."""
    found: dict[str, tuple[NDArray[np.float64], Ints]] = {}
    for name, (times, levels) in edges.lines.items():
        when = np.concatenate(times)
        level = np.concatenate(levels).astype(np.int64)
        order = np.argsort(when, kind="stable")
        when, level = when[order], level[order]
        if name in ("A", "D"):
            for bit in range(wide if name == "A" else 8):
                found[f"{name}{bit}"] = (when, level >> bit & 1)
        else:
            found[name] = (when, level)
    return found


def sample(
    when: NDArray[np.float64], level: Ints, step: float, skew: float, jitter: NDArray[np.float64], shift: float
) -> tuple[Ints, Ints]:
    """Give the samples at which a line is seen to change, and to what; sample 0 is its first level."""
    at = np.floor((when - shift + skew + jitter) / step).astype(np.int64) + 1
    at = np.maximum.accumulate(np.maximum(at, 0))
    at[0] = 0  # before its first change a line has been at that level
    last = np.concatenate((at[1:] != at[:-1], [True]))
    at, level = at[last], level[last]
    moved = np.concatenate(([True], level[1:] != level[:-1]))
    return at[moved], level[moved]


def insert_strays(at: Ints, level: Ints, picks: Ints) -> tuple[Ints, Ints]:
    """Turn a line over for one sample at each pick where it is still for three."""
    around = np.searchsorted(at, picks + 2, side="right") - np.searchsorted(at, picks - 1, side="left")
    picks = np.unique(picks[(around == 0) & (picks > at[0] + 2)])
    picks = picks[np.concatenate(([True], np.diff(picks) > 3))] if len(picks) else picks
    if not len(picks):
        return at, level
    held = level[np.searchsorted(at, picks, side="right") - 1]
    where = np.concatenate((at, picks, picks + 1))
    what = np.concatenate((level, 1 - held, held))
    order = np.argsort(where, kind="stable")
    return where[order], what[order]


def record(edges: Edges, clips: Clips, draw: Random, shown: list[str]) -> dict[str, tuple[Ints, Ints]]:
    """Sample the lines that are clipped."""
    rng = np.random.default_rng(draw.randrange(1 << 30))
    step = 1000.0 / clips.rate
    lines = lines_of(edges)
    phase = rng.uniform(0, step)
    result: dict[str, tuple[Ints, Ints]] = {}
    for name in shown:
        if name in clips.hidden or name not in lines:
            continue
        source = name
        if clips.exchanged and name in clips.exchanged:
            source = clips.exchanged[1 - clips.exchanged.index(name)]
        when, level = lines[source]
        if name in clips.off:
            begin, end, held = clips.off[name]
            inside = (when >= begin) & (when < end)
            before = int(level[np.searchsorted(when, end, side="right") - 1]) if end < edges.end else held
            when = np.concatenate((when[~inside], [begin], [end] if end < edges.end else []))
            again = np.array([before] if end < edges.end else [], np.int64)
            level = np.concatenate((level[~inside], np.array([held], np.int64), again))
            order = np.argsort(when, kind="stable")
            when, level = when[order], level[order]
        skew = rng.uniform(-0.4, 0.4) * min(step, 15.0)
        at, seen = sample(when, level, step, skew + phase, rng.normal(0, 1.0, len(when)), clips.begin)
        if name[0] in "AD" and name[1:].isdigit() and clips.strays and len(edges.quiet):
            picks = rng.choice(edges.quiet, clips.strays)
            at, seen = insert_strays(at, seen, np.floor((picks - clips.begin) / step).astype(np.int64) + 1)
        if name in clips.noisy:
            count = int((edges.end - clips.begin) / 1000 * clips.noisy[name])
            at, seen = insert_strays(at, seen, np.sort(rng.integers(0, int((edges.end - clips.begin) / step), count)))
        result[name] = (at, seen)
    return result


def code(number: int) -> str:
    """Give a VCD identifier."""
    return chr(33 + number) if number < 90 else chr(33 + number // 90) + chr(33 + number % 90)


def write_vcd(path: Path, result: dict[str, tuple[Ints, Ints]], clips: Clips, end: float) -> None:
    """Write the samples as VCD; missing samples between $dumpoff and $dumpon."""
    step_ps = 1e6 / clips.rate
    names = list(result)
    head = ["$timescale 1 ps $end", "$scope module la $end"]
    head += [f"$var wire 1 {code(n)} {clips.names.get(name, name)} $end" for n, name in enumerate(names)]
    head += ["$upscope $end", "$enddefinitions $end"]
    at = np.concatenate([result[n][0] for n in names])
    level = np.concatenate([result[n][1] for n in names])
    which = np.concatenate([np.full(len(result[n][0]), k) for k, n in enumerate(names)])
    order = np.lexsort((which, at))
    at, level, which = at[order], level[order], which[order]
    codes = [[f"0{code(n)}" for n in range(len(names))], [f"1{code(n)}" for n in range(len(names))]]
    text: list[str] = []
    first = at == 0
    starts = dict.fromkeys(range(len(names)), 0) | dict(zip(which[first].tolist(), level[first].tolist(), strict=True))
    text += ["#0", "$dumpvars", *[codes[v][k] for k, v in starts.items()], "$end"]
    gap = tuple(int((g - clips.begin) * clips.rate / 1000) for g in clips.gap) if clips.gap else None
    now = dict(starts)
    last, state = 0, "before"
    for t, k, v in zip(at[~first].tolist(), which[~first].tolist(), level[~first].tolist(), strict=True):
        if gap:
            if state == "before" and t >= gap[0]:
                text += [f"#{round(gap[0] * step_ps)}", "$dumpoff", *[f"x{code(n)}" for n in now], "$end"]
                state = "in"
            if state == "in" and t >= gap[1]:
                text += [f"#{round(gap[1] * step_ps)}", "$dumpon", *[codes[w][n] for n, w in now.items()], "$end"]
                last = gap[1]
                state = "after"
        now[k] = v
        if state == "in":
            continue
        if t != last:
            text.append(f"#{round(t * step_ps)}")
            last = t
        text.append(codes[v][k])
    text.append(f"#{round(max(last + 1, (end - clips.begin) * clips.rate / 1000) * step_ps)}")
    path.write_text("\n".join(head + text) + "\n")
