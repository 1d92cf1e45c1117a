"""What can be wrong on a card, and when it acts.

`chip_faults`, `row_faults`, `wide_faults` list the hard faults there can be; `intermittently` gives one of them an
hour: a steady rate, bursts, warming, vibration, a rest, or a pattern on the bus (many lines that switch at once pull
the supply down).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from random import Random

from .card import Active, Card, Fault
from .programs import Window

LEVELS = (("stuck-low", 0), ("stuck-high", 1))
HOURS = ("steady", "steady", "bursts", "warming", "vibration", "rest", "switching")


def lanes_of(mask: int) -> list[int]:
    """List the lanes of a mask, each as a mask."""
    return [1 << n for n in range(8) if mask >> n & 1]


def chip_faults(card: Card, row: int) -> Iterator[Fault]:
    """Faults of one chip: lanes, the whole, its address pins."""
    bits = card.rows[row].size.bit_length() - 1
    for chip in card.rows[row].chips:
        name = chip.designator
        lanes = lanes_of(chip.mask)
        for lane in lanes:
            for kind, _ in LEVELS:
                yield Fault(kind, "chip", name, row, lane)
            yield Fault("floating", "chip", name, row, lane)
        for one, two in pairwise(lanes):
            for level in (0, 1):
                yield Fault("bridged", "chip", name, row, one | two, level=level)
        for kind in ("write-lost", "dead", "slow"):
            yield Fault(kind, "chip", name, row, chip.mask)
        yield from address_faults("chip", name, row, chip.mask, tuple(range(bits)))
        for level in (0, 1):
            yield Fault("leaky", "chip", name, row, chip.mask, level=level, age=400)


def address_faults(scope: str, name: str | None, row: int, mask: int, lines: tuple[int, ...]) -> Iterator[Fault]:
    """A line stuck or bridged to its neighbour."""
    for line in lines:
        for level in (0, 1):
            yield Fault("address-stuck", scope, name, row, mask, (line,), level)
    for one, two in pairwise(lines):
        for level in (0, 1):
            yield Fault("address-bridged", scope, name, row, mask, (one, two), level)


def row_faults(card: Card, row: int) -> Iterator[Fault]:
    """Faults of a whole row: its tracks, its strobe, its supply, its select."""
    bits = card.rows[row].size.bit_length() - 1
    yield from address_faults("region", None, row, 0xFF, tuple(range(bits)))
    for kind in ("write-lost", "no-answer", "slow"):
        yield Fault(kind, "region", None, row)
    decoder = card.decoder[0] if card.decoder else None
    yield Fault("select-missing", "decoder", decoder, row)
    others = [n for n in range(1, len(card.rows)) if n != row]
    if others:
        yield Fault("select-extra", "decoder", decoder, row)
    for other in others:
        yield Fault("select-extra", "decoder", decoder, row, other=other)
        if other > row:
            yield Fault("select-extra", "decoder", decoder, row, other=other, side="both")
            yield Fault("select-swapped", "decoder", decoder, row, other=other)


def wide_faults(card: Card) -> Iterator[Fault]:
    """Faults of what all rows share: drivers, bus, address lines, the write strobe."""
    for chip in card.driver:
        for lane in lanes_of(chip.mask):
            for kind in ("stuck-low", "stuck-high", "floating"):
                yield Fault(kind, "buffer", chip.designator, mask=lane, side="read")
                if kind != "floating":
                    yield Fault(kind, "buffer", chip.designator, mask=lane, side="write")
        lanes = lanes_of(chip.mask)
        for one, two in pairwise(lanes):
            yield Fault("bridged", "buffer", chip.designator, mask=one | two, side="read")
        for level in (0, 1, 2):
            yield Fault("direction-stuck", "buffer", chip.designator, mask=chip.mask, level=level, side="read")
    side = "bus" if card.driver else "both"
    for lane in range(8):
        if card.driver:
            for kind in ("stuck-low", "stuck-high"):
                yield Fault(kind, "bus", None, mask=1 << lane, side=side)
        for other in range(lane + 1, min(8, lane + 3)):
            yield Fault("bridged", "bus", None, mask=1 << lane | 1 << other, side=side)
    bits = card.rows[1].size.bit_length() - 1
    yield from address_faults("board", None, -1, 0xFF, tuple(range(bits)))
    yield Fault("write-lost", "board", None)


def cell_faults(card: Card, row: int, cell: int, mask: int, aggressors: list[int]) -> Iterator[Fault]:
    """Faults of one bit of one chip."""
    name = next(c.designator for c in card.rows[row].chips if c.mask & mask)
    for kind, _ in LEVELS:
        yield Fault(kind, "cell", name, row, mask, cell=cell)
    for level in (0, 1):
        for age in (150, 1200):
            yield Fault("leaky", "cell", name, row, mask, cell=cell, level=level, age=age)
        for aggressor in aggressors:
            yield Fault("coupled", "cell", name, row, mask, cell=cell, aggressor=aggressor, level=level)


def cell_spot(draw: Random, card: Card, row: int, windows: list[Window]) -> tuple[int, int, list[int]]:
    """Choose a cell that is tested: its offset, a lane, and neighbours that are tested too."""
    window = draw.choice(windows)
    at = draw.randrange(window.count)
    start = card.rows[row].start
    around = [window.start + window.step * n - start for n in (at - 1, at + 1, at - 2, at + 2) if 0 <= n < window.count]
    return window.start + window.step * at - start, 1 << draw.randrange(8), around


WEIGHTS = {"chip": 10, "cell": 3, "region": 3, "decoder": 3, "buffer": 4, "bus": 2, "board": 3}


def draw_fault(draw: Random, card: Card, windows: list[list[Window]], leaf: bool = False, only: int = 0) -> Fault:
    """Draw a hard fault: the scope by its weight, then the kind, then the place (`only`: in this row)."""
    scopes = ["chip", "cell"] if leaf else list(WEIGHTS)
    while True:
        scope = draw.choices(scopes, [WEIGHTS[s] for s in scopes])[0]
        row = only or draw.randrange(1, len(card.rows))
        if scope == "chip":
            pool = list(chip_faults(card, row))
        elif scope == "cell":
            if not windows[row - 1]:
                continue
            cell, mask, around = cell_spot(draw, card, row, windows[row - 1])
            pool = list(cell_faults(card, row, cell, mask, around))
        elif scope in ("region", "decoder"):
            pool = [f for f in row_faults(card, row) if f.scope == scope]
        else:
            pool = [f for f in wide_faults(card) if f.scope == scope]
        if not pool:
            continue
        kind = draw.choice(sorted({f.kind for f in pool}))
        return draw.choice([f for f in pool if f.kind == kind])


def chance(seed: int, index: int) -> float:
    """Give a number from 0 to 1 that depends on nothing but seed and access."""
    x = (seed * 0x9E3779B1 + index * 0x85EBCA77) & 0xFFFFFFFF
    x ^= x >> 15
    x = x * 0x2C1B3C6D & 0xFFFFFFFF
    x ^= x >> 12
    x = x * 0x297A2D39 & 0xFFFFFFFF
    return (x ^ x >> 15) / 4294967296


class Rest:
    """Acts on the first accesses after the place was left alone for long."""

    def __init__(self, pause: int) -> None:
        self.pause, self.last, self.value = pause, -1, False

    def __call__(self, index: int, _address: int, _left: int) -> bool:
        if index < self.last:
            self.last = -1
        if index != self.last:
            self.value = self.last >= 0 and index - self.last > self.pause
            self.last = index
        return self.value


def hour(draw: Random, how: str, limit: int) -> Active:
    """Give the times at which a fault acts."""
    seed = draw.randrange(1 << 31)
    rate = 10 ** draw.uniform(-2.2, -0.4)
    if how == "bursts":
        spans, at = [], 0
        while at < limit:
            at += int(draw.expovariate(1 / (limit / 6)))
            width = int(draw.expovariate(1 / (limit / 60))) + 20
            spans.append((at, at + width))
            at += width
        return lambda i, _a, _l: any(b <= i < e for b, e in spans) and chance(seed, i) < 0.7
    if how == "warming":
        onset = draw.uniform(0.2, 0.6) * limit
        return lambda i, _a, _l: i > onset and chance(seed, i) < 0.6 * ((i - onset) / (limit - onset)) ** 2
    if how == "vibration":
        period, phase = draw.uniform(900, 4000), draw.uniform(0, 6.28)
        return lambda i, _a, _l: math.sin(i / period * 6.2832 + phase) > 0.8 and chance(seed, i) < 0.5
    if how == "rest":
        return Rest(draw.choice((300, 800, 2000)))
    if how == "switching":
        return lambda i, a, left: (left ^ (a & 0xFF)).bit_count() >= 6 and chance(seed, i) < 0.5
    return lambda i, _a, _l: chance(seed, i) < rate


def intermittently(draw: Random, fault: Fault, limit: int) -> Fault:
    """Give a fault the times at which it acts."""
    how = draw.choice(HOURS)
    return replace(fault, active=hour(draw, how, limit), how=how)
