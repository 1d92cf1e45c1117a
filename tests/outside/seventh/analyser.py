"""The clips: each line's changes in time by the processor's diagrams, sampled by a clock of the analyser's own."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .card import CLOCKED, Card
from .nets_kernel import Ints

Times = NDArray[np.float64]


@dataclass
class Setting:
    """How the analyser is set."""

    rate: float
    skew: float = 0.5
    stray: int = 0
    unclipped: int = 0


def draw_setting(rng: Random, card: Card) -> Setting:
    """Draw a rate that suits the bus and what else is as it happens."""
    rate = rng.choice([24e6, 25e6, 50e6, 100e6] + ([10e6, 16e6] if card.cpu == "1802" else []))
    used = 14 if any(r.size > 4096 for r in card.rows) else 13
    free = 16 - used if card.cpu not in ("8085", "1802") and rng.random() < 0.2 else 0
    return Setting(rate, rng.uniform(0, 0.9), rng.choice([0, 0, 0, 1, 3]), free)


class Board:
    """Collects changes and writes them as a VCD."""

    def __init__(self, setting: Setting, rng: Random) -> None:
        """Begin with no lines."""
        self.tick = 1e9 / setting.rate
        self.rng = np.random.default_rng(rng.randrange(1 << 30))
        self.skew = setting.skew
        self.lines: dict[str, tuple[Ints, Ints]] = {}
        self.phase = rng.uniform(0, self.tick)

    def add(self, name: str, parts: list[tuple[Any, Any]], jitter: float = 4.0) -> None:
        """Add a line: pairs of times (ns) and levels."""
        times = np.concatenate([np.asarray(t, float).ravel() for t, _ in parts])
        levels = np.concatenate([np.broadcast_to(v, np.shape(t)).ravel() for t, v in parts])
        order = np.argsort(times, kind="stable")
        skew = self.rng.uniform(-0.5, 0.5) * self.tick * self.skew
        noisy = times[order] + skew + self.rng.uniform(0, jitter, len(times)) + self.phase
        ticks = np.maximum(np.ceil(np.maximum.accumulate(noisy) / self.tick), 0).astype(np.int64)
        levels = levels[order].astype(np.int64)
        last = np.append(ticks[1:] != ticks[:-1], True)
        ticks, levels = ticks[last], levels[last]
        keep = np.append(True, levels[1:] != levels[:-1])
        self.lines[name] = (ticks[keep], levels[keep])

    def stray(self, name: str) -> None:
        """Let a line jump for one sample somewhere."""
        ticks, levels = self.lines[name]
        if len(ticks) < 10:
            return
        k = int(self.rng.integers(2, len(ticks) - 2))
        if ticks[k + 1] - ticks[k] > 6:
            at = ticks[k] + 3
            self.lines[name] = (
                np.insert(ticks, k + 1, [at, at + 1]), np.insert(levels, k + 1, [1 - levels[k], levels[k]]),
            )  # fmt: skip

    def write(self, path: Path) -> None:
        """Write the VCD."""
        names = list(self.lines)
        codes = [chr(33 + i) for i in range(len(names))]
        ticks = np.concatenate([self.lines[n][0] for n in names])
        levels = np.concatenate([self.lines[n][1] for n in names])
        which = np.concatenate([np.full(len(self.lines[n][0]), i) for i, n in enumerate(names)])
        order = np.lexsort((which, ticks))
        unit = 1000.0 * self.tick
        text = ["$timescale 1 ps $end", "$scope module clips $end"]
        text += [f"$var wire 1 {c} {n} $end" for n, c in zip(names, codes, strict=True)]
        text += ["$upscope $end", "$enddefinitions $end"]
        now = -1
        begin = {i: int(self.lines[n][1][0]) for i, n in enumerate(names)}
        text += ["#0", *(f"{v}{codes[i]}" for i, v in begin.items())]
        for t, w, v in zip(ticks[order].tolist(), which[order].tolist(), levels[order].tolist(), strict=True):
            if t != now:
                text.append(f"#{round(t * unit)}")
                now = t
            text.append(f"{v}{codes[w]}")
        path.write_text("\n".join(text) + "\n")


def record(card: Card, kinds: Ints, addresses: Ints, out: Ints, setting: Setting, rng: Random, path: Path) -> Times:
    """Draw all clipped lines of a run and write the capture; give the time at which each access is sampled."""
    board = Board(setting, rng)
    count = len(kinds)
    write, read = kinds == 1, kinds != 1
    seen, data, before = out[0], out[1], out[2]
    length = {"z80": 1200.0, "8085": 960.0, "8080-8228": 1500.0, "1802": 4000.0}.get(card.cpu, 1000.0)
    t = 200.0 + length * np.arange(count)
    access = float(rng.choice([120, 180, 240]))
    if card.cpu in CLOCKED:
        clock = "E" if card.cpu == "6809" else "PHI2"
        board.add(clock, [(t, 0), (t + 500, 1)])
        if card.cpu == "6809":
            board.add("Q", [(t + 250, 1), (t + 750, 0)])
        board.add("RW", [(t + 130, read.astype(int))])
        begin, end, address, ready = t + 500, t + 1000, t + 130, np.where(write, t + 640, t + 500 + access)
        off = end + 40
        early = t + 170
    elif card.cpu == "z80":
        begin, end, address = np.where(write, t + 260, t + 260), t + 1060, t + 90
        board.add("MREQ", [(t, 1), (begin - 40, 0), (end, 1)])
        board.add("RD", [(t, 1), (t[read] + 260, 0), (end[read], 1)])
        board.add("WR", [(t, 1), (t[write] + 660, 0), (end[write], 1)])
        ready, off, early = np.where(write, t + 290, t + 260 + access), end + np.where(write, 110, 20), t + 130
    elif card.cpu == "8085":
        begin, end, address = t + 300, t + 720, t + 30
        board.add("ALE", [(t + 10, 1), (t + 160, 0)])
        board.add("RD", [(t, 1), (begin[read], 0), (end[read], 1)])
        board.add("WR", [(t, 1), (begin[write], 0), (end[write], 1)])
        board.add("IOM", [(t[:1], 0)])
        ready, off, early = np.where(write, t + 330, t + 300 + access), end + np.where(write, 100, 20), t + 40
    elif card.cpu == "8080-8228":
        begin, end, address = np.where(write, t + 800, t + 500), t + 1200, t + 100
        board.add("MEMR", [(t, 1), (begin[read], 0), (end[read], 1)])
        board.add("MEMW", [(t, 1), (begin[write], 0), (end[write], 1)])
        ready, off, early = np.where(write, t + 600, t + 500 + access), end + np.where(write, 120, 20), t + 150
    else:
        begin, end, address = np.where(write, t + 2700, t + 1700), t + 3950, t + 100
        board.add("TPA", [(t + 600, 1), (t + 1100, 0)])
        board.add("TPB", [(t + 3300, 1), (t + 3750, 0)])
        board.add("MRD", [(t, 1), (t[read] + 700, 0), (end[read], 1)])
        board.add("MWR", [(t, 1), (t[write] + 2700, 0), (t[write] + 3650, 1)])
        ready, off, early = np.where(write, t + 2200, t + 1700 + access), end + 60, t + 150
    for k in range(8):
        low, high = (seen >> k) & 1, (seen >> (8 + k)) & 1
        lane = [(ready, (data >> k) & 1), (early, (before >> k) & 1)]
        if card.cpu == "8085":
            board.add(f"AD{k}", [(t + 35, (addresses >> k) & 1), (ready, (data >> k) & 1)])
            board.add(f"A{8 + k}", [(address, high)])
            continue
        if card.cpu == "1802":
            board.add(f"MA{k}", [(address, high), (t + 1500, low)])
        else:
            board.add(f"A{k}", [(address, low)])
            if 8 + k < 16 - setting.unclipped:
                board.add(f"A{8 + k}", [(address, high)])
        after = (np.append(before[1:], before[-1:]) >> k) & 1
        board.add(f"D{k}", [*lane, (off, after)])
    names = [*(r.select for r in card.rows), "CARD"]
    for k, name in enumerate([*names, *(f"MD{i}" for i in range(8))]):
        if name in card.clipped or (name.startswith("MD") and card.far):
            one, two = (out[3] >> k) & 1, (out[4] >> k) & 1
            on = ready if name.startswith("MD") else begin
            board.add(name, [(address + 40, one), (on + 20, two), (end + 25, one)])
    for _ in range(setting.stray):
        lines = [n for n in board.lines if n[0] in "DA" and n[1:].isdigit()]
        if lines:
            board.stray(rng.choice(lines))
    board.write(path)
    taken: Times = np.asarray(end * 1e-9, np.float64)
    return taken
