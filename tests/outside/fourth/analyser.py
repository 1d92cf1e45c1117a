"""The logic analyser: samples the lines by a clock of its own, with skew, and writes a VCD file (IEEE 1364 clause 18).

What goes wrong at the clips (a clip off, a noisy one, two exchanged) and in the analyser (stray one-sample pulses,
lost samples, too low a rate) is done here, on samples.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import numpy as np
import numpy.typing as npt

from tests.outside.fourth.waves import Waves

Changes = tuple[npt.NDArray[np.int64], npt.NDArray[np.int8]]


@dataclass
class Analyser:
    """Settings of one capture. Times of spoilers are shares of the whole."""

    period: float
    phase: float
    strays: int = 0
    gap: tuple[float, float] | None = None
    dead: dict[str, tuple[float, float, int]] = field(default_factory=dict)  # line: from, to, level read meanwhile
    noisy: dict[str, float] = field(default_factory=dict)  # line: chance that a sample is wrong
    exchanged: tuple[str, str] | None = None
    ringing: dict[str, float] = field(default_factory=dict)  # line: chance of a second edge pair after an edge


def draw_analyser(rng: Random, strobe: float) -> Analyser:
    """A rate of 4 to 20 samples a strobe."""
    period = strobe / rng.uniform(4.2, 20)
    return Analyser(period, rng.random(), rng.choice((0, 0, 0, 20, 80)))


def _sampled(times: list[float], levels: list[int], skew: float, analyser: Analyser) -> Changes:
    at = np.ceil((np.asarray(times) + skew) / analyser.period - analyser.phase).astype(np.int64).clip(0)
    level = np.asarray(levels, np.int8)
    last = np.append(at[1:] != at[:-1], True)  # of several edges between two samples the last one counts
    at, level = at[last], level[last]
    new = np.append(True, level[1:] != level[:-1])
    at[0] = 0
    return at[new], level[new]


def _dense(changes: Changes, n: int) -> npt.NDArray[np.int8]:
    at, level = changes
    keep = at < n
    return np.repeat(level[keep], np.diff(np.append(at[keep], n)))


def _sparse(dense: npt.NDArray[np.int8]) -> Changes:
    at = np.flatnonzero(np.append(True, dense[1:] != dense[:-1]))
    return at.astype(np.int64), dense[at]


def _stray(changes: Changes, wanted: list[int]) -> Changes:
    at, level = changes
    extra_at, extra_level = [], []
    for k in wanted:
        i = int(np.searchsorted(at, k, "right"))
        near = (i > 0 and k - at[i - 1] < 2) or (i < len(at) and at[i] - k < 3)
        if i > 0 and not near:
            extra_at += [k, k + 1]
            extra_level += [1 - int(level[i - 1]), int(level[i - 1])]
    order = np.argsort(np.append(at, np.asarray(extra_at, np.int64)), kind="stable")
    return np.append(at, np.asarray(extra_at, np.int64))[order], np.append(level, np.asarray(extra_level, np.int8))[
        order
    ]


def sample(waves: Waves, lines: list[str], analyser: Analyser, rng: Random) -> tuple[dict[str, Changes], int]:
    """Samples the lines: for each its changes as (sample number, level), and the number of samples."""
    n = int(waves.end / analyser.period) + 2
    spread = min(12.0, 0.2 * analyser.period)
    out: dict[str, Changes] = {}
    seed = np.random.default_rng(rng.getrandbits(32))
    for line in lines:
        times, levels = waves.edges[line]
        changes = _sampled(times, levels, rng.uniform(-spread, spread), analyser)
        if line in analyser.ringing:
            at = _dense(changes, n)
            edges = changes[0][1:]
            rung = edges[seed.random(len(edges)) < analyser.ringing[line]] + 1
            rung = rung[rung < n - 1]
            at[rung] ^= 1
            changes = _sparse(at)
        if analyser.strays and line[0] in "AD" and line[1:].isdigit() and waves.quiet:
            moments = rng.sample(waves.quiet, min(len(waves.quiet), 1 + analyser.strays // 8))
            changes = _stray(changes, sorted({round(m / analyser.period - analyser.phase) for m in moments}))
        if line in analyser.noisy:
            dense = _dense(changes, n)
            changes = _sparse(dense ^ (seed.random(n) < analyser.noisy[line]).astype(np.int8))
        if line in analyser.dead:
            first, to, level_read = analyser.dead[line]
            dense = _dense(changes, n)
            dense[int(first * n) : int(to * n)] = level_read
            changes = _sparse(dense)
        out[line] = changes
    if analyser.exchanged:
        a, b = analyser.exchanged
        out[a], out[b] = out[b], out[a]
    return out, n


def channel_names(lines: list[str], rng: Random) -> tuple[dict[str, str], bool]:
    """A name for each line's channel, in one of the trade's spellings; and whether a wiring table is needed."""
    active_low = {"MREQ", "IORQ", "RD", "WR", "M1", "RFSH"} | {n for n in lines if n.startswith(("SEL", "BD"))}
    style = rng.choice(("plain", "slash", "lower", "bracket", "number"))
    if style == "number":
        order = list(range(len(lines)))
        rng.shuffle(order)
        return {line: f"ch{order[i]}" for i, line in enumerate(lines)}, True
    out = {}
    for line in lines:
        name = line
        if line in active_low:
            name = {"slash": f"/{line}", "lower": f"{line}_n", "bracket": f"{line}#"}.get(style, line)
        elif style == "bracket" and line[0] in "AD" and line[1:].isdigit():
            name = f"{line[0]}[{line[1:]}]"
        out[line] = name.lower() if style == "lower" else name
    return out, False


def write_vcd(
    path: Path, samples: dict[str, Changes], names: dict[str, str], n: int, analyser: Analyser, rng: Random
) -> None:
    """Writes the capture; lost samples stand between $dumpoff and $dumpon."""
    lines = list(samples)
    rng.shuffle(lines)
    codes = {line: chr(33 + i) for i, line in enumerate(lines)}
    at = np.concatenate([samples[line][0] for line in lines])
    level = np.concatenate([samples[line][1] for line in lines])
    which = np.concatenate([np.full(len(samples[line][0]), i) for i, line in enumerate(lines)])
    order = np.argsort(at, kind="stable")
    unit = "100 ps"
    text = ["$comment virtual analyser $end", f"$timescale {unit} $end", "$scope module pod $end"]
    text += [f"$var wire 1 {codes[line]} {names[line]} $end" for line in lines]
    text += ["$upscope $end", "$enddefinitions $end", "#0", "$dumpvars"]
    now = {i: int(samples[line][1][0]) for i, line in enumerate(lines)}
    text += [f"{now[i]}{codes[line]}" for i, line in enumerate(lines)] + ["$end"]
    gap = (int(analyser.gap[0] * n), int(analyser.gap[1] * n)) if analyser.gap else (n + 5, n + 6)
    clock, state = 0, 0  # state: 0 before the gap, 1 inside, 2 after
    stamp = [codes[line] for line in lines]

    def time(k: int) -> str:
        return f"#{round(k * analyser.period * 10)}"

    def border(k: int) -> None:
        nonlocal state
        if state == 0 and k >= gap[0]:
            text.extend([time(gap[0]), "$dumpoff", *(f"x{c}" for c in stamp), "$end"])
            state = 1
        if state == 1 and k >= gap[1]:
            text.extend([time(gap[1]), "$dumpon", *(f"{now[i]}{c}" for i, c in enumerate(stamp)), "$end"])
            state = 2

    for k, v, i in zip(at[order].tolist(), level[order].tolist(), which[order].tolist(), strict=True):
        if k <= 0 or k >= n:
            continue
        border(k)
        if state != 1 and k != clock:
            text.append(time(k))
            clock = k
        now[i] = v
        if state != 1:
            text.append(f"{v}{stamp[i]}")
    text.append(time(n))
    path.write_text("\n".join(text) + "\n")
