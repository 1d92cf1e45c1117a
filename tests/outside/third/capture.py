"""The analyser: samples the lines by its own clock, or keeps every change; writes a VCD (IEEE 1364-2005, 18)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.outside.third.accesses import Ints
from tests.outside.third.card import Card, Rng
from tests.outside.third.odd import Spoil
from tests.outside.third.waves import Board, Track


@dataclass
class Analyser:
    """``rate_hz`` 0: an exact dump in ns. ``jitter_ns``: of its own inputs and clock."""

    rate_hz: float
    jitter_ns: float = 1.5


def spelled(line: str, style: str, number: int, low: bool) -> str:
    """The channel's name, as people write it."""
    if style == "numbered":
        return f"ch{number}"
    if style == "marked":
        if low:
            return f"/{line}"
        if line[0] in "AD" and line[1:].isdigit():
            return f"{line[0]}[{line[1:]}]"
    return line


def sampled(track: Track, rng: Rng, analyser: Analyser) -> tuple[Ints, Ints]:
    """Stamps (sample numbers, or ns) and levels of one channel."""
    if not analyser.rate_hz:
        stamps = np.maximum(np.round(track.times), 0).astype(np.int64)
    else:
        jitter = rng.normal(0, analyser.jitter_ns, len(track.times)) + rng.uniform(0, 3)
        stamps = np.ceil((track.times + jitter) * analyser.rate_hz / 1e9).astype(np.int64)
        stamps = np.maximum(np.maximum.accumulate(stamps), 0)
    levels = track.levels
    last = np.ones(len(stamps), bool)
    last[:-1] = stamps[1:] != stamps[:-1]  # of several changes within a sample the last one is seen
    stamps, levels = stamps[last], levels[last]
    keep = np.ones(len(levels), bool)
    keep[1:] = levels[1:] != levels[:-1]
    return stamps[keep], levels[keep]


def spoiled(tracks: dict[str, Track], spoil: Spoil) -> dict[str, Track]:
    """What reaches the analyser: a clip that is off reads a constant level (its input's own)."""
    out = dict(tracks)
    for line, begin, end, level in spoil.off:
        t = out[line]
        inside = (t.times >= begin) & (t.times < end)
        after = np.nonzero(t.times < end)[0]
        back = t.levels[after[-1]] if len(after) else 0
        if end == np.inf:  # it never comes back
            out[line] = Track(np.append(t.times[t.times < begin], begin), np.append(t.levels[t.times < begin], level))
            continue
        times = np.concatenate([t.times[~inside], [begin, end]])
        levels = np.concatenate([t.levels[~inside], [level, back]])
        order = np.argsort(times, kind="stable")
        out[line] = Track(times[order], levels[order])
    if spoil.exchanged:
        a, b = spoil.exchanged
        out[a], out[b] = out[b], out[a]
    return out


def write_vcd(
    path: Path, card: Card, board: Board, low: set[str], rng: Rng, analyser: Analyser, spoil: Spoil
) -> dict[str, str]:
    """Writes the clipped lines; returns the wiring that the board file must give (line = channel), if any."""
    tracks = spoiled(board.tracks, spoil)
    lines = [line for line in card.clipped if line in tracks]
    if card.spelling == "numbered":
        lines = [str(x) for x in rng.permutation(lines)]
    stamps: list[Ints] = []
    texts: list[np.ndarray] = []
    names: dict[str, str] = {}
    head = ["$date a day $end", "$version bench analyser $end"]
    step = 1e9 / analyser.rate_hz if analyser.rate_hz else 1.0
    unit, scale = ("1 ns", 1.0) if not analyser.rate_hz else ("1 ps", step * 1000)
    head += [f"$timescale {unit} $end", "$scope module bench $end"]
    for number, line in enumerate(lines):
        code = chr(33 + number)
        name = spelled(line, card.spelling, number, line in low)
        names[line] = name
        head.append(f"$var wire 1 {code} {name} $end")
        at, levels = sampled(tracks[line], rng, analyser)
        stamps.append(at)
        texts.append(np.where(levels == 1, f"1{code}", f"0{code}"))
    head += ["$upscope $end", "$enddefinitions $end"]
    every = np.concatenate(stamps)
    text = np.concatenate(texts)
    order = np.argsort(every, kind="stable")
    every, text = every[order], text[order]
    out: list[str] = []
    first = np.ones(len(every), bool)
    first[1:] = every[1:] != every[:-1]
    whole = np.round(every * scale).astype(np.int64)
    for new, stamp, change in zip(first.tolist(), whole.tolist(), text.tolist(), strict=True):
        if new:
            out.append(f"#{stamp}")
        out.append(change)
    path.write_text("\n".join(head) + "\n" + "\n".join(out) + "\n")
    return names if card.spelling == "numbered" else {}
