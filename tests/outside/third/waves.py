"""Levels over time: columns of accesses become changes of lines. One builder a bus; times in ns, data sheets' figures.

The 6502's are those of the MCS6500 data sheet (May 1976); :mod:`test_third_world` holds every builder's waves against
the published limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.outside.third.accesses import FETCH, WRITE, Accesses, Bools, Ints
from tests.outside.third.card import Card, Rng
from tests.outside.third.machine import Seen

Floats = NDArray[np.float64]


@dataclass
class Track:
    """Changes of one line, in order of time: ``times`` ns, ``levels`` 0/1."""

    times: Floats
    levels: Ints


class Board:
    """Collects the lines' changes. Words (buses) are split into bits with a skew of their own."""

    def __init__(self, rng: Rng, skew_ns: float) -> None:
        self.rng = rng
        self.skew_ns = skew_ns
        self.tracks: dict[str, Track] = {}

    def line(self, name: str, times: Floats, levels: Ints | Bools) -> None:
        order = np.argsort(times, kind="stable")
        levels = levels.astype(np.int64)[order]
        keep = np.ones(len(levels), bool)
        keep[1:] = levels[1:] != levels[:-1]
        self.tracks[name] = Track(times[order][keep], levels[keep])

    def word(self, prefix: str, bits: range, times: Floats, values: Ints) -> None:
        """A bus: each bit's own changes, its delay within the skew, so that a word never changes all at once."""
        order = np.argsort(times, kind="stable")
        times, values = times[order], values[order]
        for bit in bits:
            level = (values >> bit) & 1
            keep = np.ones(len(level), bool)
            keep[1:] = level[1:] != level[:-1]
            own = self.rng.uniform(0, self.skew_ns)
            self.tracks[f"{prefix}{bit}"] = Track(times[keep] + own, level[keep])

    def pulses(self, name: str, begins: Floats, ends: Floats, active: int = 1) -> None:
        times = np.concatenate([[-1.0], np.stack([begins, ends], 1).ravel()])
        levels = np.concatenate([[1 - active], np.tile([active, 1 - active], len(begins))])
        self.line(name, times, levels)


def data_words(
    rng: Rng, board: Board, prefix: str, value: Ints, driven_from: Floats, until: Floats, junk: Bools, floating: str
) -> None:
    """A data bus: unsettled just before it holds ``value``; let go at ``until`` it keeps its levels or drifts high."""
    n = len(value)
    before = np.concatenate([[0xFF], value[:-1]])
    noise = rng.integers(0, 1 << 16, n)
    early = driven_from[junk] - rng.uniform(15, 60, int(junk.sum()))
    times = [driven_from, early]
    values = [value, ((before & noise) | (value & ~noise))[junk]]
    if floating == "high":
        drift = rng.random(n) < 0.7
        times.append((until + rng.uniform(5, 40, n))[drift])
        values.append((value | rng.integers(0, 1 << 16, n))[drift])
    else:
        times.append(until[:1])
        values.append(value[:1])
    board.word(prefix, range(8), np.concatenate(times), np.concatenate(values))


def select_lines(board: Board, card: Card, seen: Seen, changes: Floats, ends: Floats, gated: bool) -> None:
    """Decoder outputs and the card's enable, active low, a gate's delay after what they follow."""
    rng = board.rng
    lines = {card.region(name).select or name: on for name, on in seen.selects.items()}
    lines["CARD"] = seen.enabled
    for name, on in lines.items():
        late = rng.uniform(12, 25)
        if gated:  # a strobe is in the decoding: high between the cycles
            board.pulses(name, changes[on] + late, ends[on] + late, 0)
        else:
            board.line(name, changes + late, (~on).astype(np.int64))


def mos6502(card: Card, acc: Accesses, seen: Seen, rng: Rng, period: float, access_ns: float) -> Board:
    """6502: a cycle runs from one fall of PHI2 to the next; address in its first half, data at its end."""
    n = len(acc)
    board = Board(rng, 8.0)
    fast = 500.0 / min(period, 500.0) if period < 1000 else 1.0
    edge = np.arange(n + 1) * period + rng.normal(0, 1.0, n + 1)
    fall, end = edge[:-1], edge[1:]
    rise = fall + period * 0.5 + rng.normal(0, 1.0, n)
    board.pulses("PHI2", rise, end)
    turn = fall + rng.uniform(40, 110, n) / fast
    board.word("A", range(16), turn, acc.address)
    board.line("RW", fall + rng.uniform(40, 110, n) / fast, acc.op != WRITE)
    board.line("SYNC", fall + rng.uniform(50, 120, n) / fast, acc.op == FETCH)
    writes = acc.op == WRITE
    valid = np.where(
        writes,
        rise + rng.uniform(90, 180, n) / (2 if period < 1000 else 1),
        np.maximum(turn + access_ns, rise + rng.uniform(30, 90, n)),
    )
    valid = np.minimum(valid, end - (110 if period >= 1000 else 60))
    until = end + np.where(writes, rng.uniform(32, 60, n), rng.uniform(12, 35, n))
    data_words(rng, board, "D", seen.data, valid, until, ~writes, card.floating)
    if card.far_clipped:
        data_words(rng, board, "MD", seen.far, valid + np.where(writes, 9, -9), until, ~writes, card.floating)
    select_lines(board, card, seen, turn + 10, end, False)
    return board
