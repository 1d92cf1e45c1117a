"""What the machine does: memory tests of the time and everyday programs, as accesses to a card's rows."""

from __future__ import annotations

from random import Random

import numpy as np

from .card import Card, Row
from .nets_kernel import Ints

Step = tuple[int, int, int]  # 0 read or 1 write, address, data


def _some(rng: Random, row: Row, count: int) -> list[int]:
    """Choose cells: runs, and for each address bit cells that differ in it alone."""
    bits = row.size.bit_length() - 1
    base = rng.randrange(row.size)
    chosen = {base} | {base ^ (1 << b) for b in range(bits)}
    while len(chosen) < min(count, row.size):
        start, length = rng.randrange(row.size), rng.choice([16, 32, 64])
        chosen |= {(start + i) % row.size for i in range(length)}
    return [row.start + c for c in sorted(chosen)]


def march(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Run a march over each row: up w0, up r0w1, up r1w0, down r0w1, down r1w0, r0."""
    steps: list[Step] = []
    for row in rows:
        cells = _some(rng, row, count)
        zero = rng.choice([0x00, 0x55, 0x0F, 0x33])
        one = zero ^ 0xFF
        steps += [(1, a, zero) for a in cells]
        for order, was, then in ((1, zero, one), (1, one, zero), (-1, zero, one), (-1, one, zero)):
            for a in cells[::order]:
                steps += [(0, a, was), (1, a, then)]
        steps += [(0, a, zero) for a in cells]
    return steps


def checkerboard(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Write a board of 55 and AA over all rows, read it, and the other way round."""
    cells = [a for row in rows for a in _some(rng, row, count)]
    steps: list[Step] = []
    for turn in (0, 1):
        steps += [(1, a, 0x55 if (a + turn) & 1 else 0xAA) for a in cells]
        steps += [(0, a, 0) for a in cells]
    return steps


def address(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Write into each cell of all rows what its address makes, then read all; then the inverse."""
    cells = [a for row in rows for a in _some(rng, row, count)]
    steps: list[Step] = []
    for turn in (0, 0xFF):
        steps += [(1, a, ((a & 0xFF) ^ (a >> 8) ^ turn) & 0xFF) for a in cells]
        steps += [(0, a, 0) for a in cells]
    return steps


def walking(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Walk a one and a zero through the lanes of some cells."""
    steps: list[Step] = []
    for row in rows:
        for a in _some(rng, row, max(8, count // 16)):
            for k in range(8):
                steps += [(1, a, 1 << k), (0, a, 0), (1, a, 0xFF ^ (1 << k)), (0, a, 0)]
    return steps


def randoms(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Write random bytes at random cells and read them back later."""
    cells = [a for row in rows for a in _some(rng, row, count // 2)]
    steps: list[Step] = []
    for _ in range(count * len(rows) * 2):
        steps.append((rng.randrange(2), rng.choice(cells), rng.randrange(256)))
    return steps


def program(rng: Random, rows: list[Row], count: int) -> list[Step]:
    """Do what programs do: stack, counters, block moves, a screen that scrolls."""
    steps: list[Step] = []
    stack = rng.choice(rows)
    top = stack.start + 0xFF
    variables = [rng.choice(rows).start + rng.randrange(32, 96) for _ in range(6)]
    screen = rng.choice(rows)
    held: dict[int, int] = {}

    def put(a: int, v: int) -> None:
        held[a] = v & 0xFF
        steps.append((1, a, v & 0xFF))

    def get(a: int) -> int:
        steps.append((0, a, 0))
        return held.get(a, 0)

    for a in variables:
        put(a, 0)
    while len(steps) < count * len(rows) * 3:
        what = rng.randrange(5)
        if what == 0:
            depth = rng.randint(2, 9)
            for i in range(depth):
                put(top - i, rng.randrange(256))
            for i in reversed(range(depth)):
                get(top - i)
        elif what == 1:
            for _ in range(rng.randint(4, 20)):
                a = rng.choice(variables)
                put(a, get(a) + 1)
        elif what == 2:
            one, two = rng.choice(rows), rng.choice(rows)
            src, dst = rng.randrange(one.size - 64), rng.randrange(two.size - 64)
            for i in range(32):
                if one.start + src + i not in held:
                    put(one.start + src + i, rng.randrange(256))
            for i in range(32):
                put(two.start + dst + i, get(one.start + src + i))
        elif what == 3:
            line = rng.randrange(1, min(16, screen.size // 40))
            for i in range(40):
                put(screen.start + line * 40 + i, rng.choice(b"  AEINORST0123"))
        else:
            for i in range(40, 120):
                a = screen.start + 100 + i
                if a in held:
                    put(a - 40, get(a))
    return steps


TESTS = {
    "march": march, "checkerboard": checkerboard, "address": address, "walking": walking, "random": randoms,
    "program": program,
}  # fmt: skip


def make(card: Card, rng: Random, names: list[str], goal: int = 3500) -> tuple[Ints, Ints, Ints]:
    """Make the accesses of some tests, with reads of the EPROM between them; give kinds, addresses and data."""
    rows = [r for r in card.rows if not r.rom]
    roms = [r for r in card.rows if r.rom]
    weights = {"march": 10, "checkerboard": 4, "address": 4, "walking": 3, "random": 2, "program": 3}
    count = max(40, goal // (sum(weights[n] for n in names) * len(rows)))
    steps: list[Step] = []
    for name in names:
        steps += TESTS[name](rng, rows, count)
    if roms:
        mixed: list[Step] = []
        at = 0
        for step in steps:
            mixed.append(step)
            if rng.random() < 0.3:
                if rng.random() < 0.1:
                    at = rng.randrange(roms[0].size)
                for _ in range(rng.randint(1, 3)):
                    mixed.append((0, roms[0].start + at, 0))
                    at = (at + 1) % roms[0].size
        steps = mixed
    kinds, addresses, data = (np.array(x, np.int64) for x in zip(*_code(card, steps), strict=True))
    return kinds, addresses, data


def _code(card: Card, steps: list[Step]) -> list[Step]:
    """Put before each access the fetches of a straight program that makes it: load, store, at addresses of its own."""
    at = low = 0x0100 if card.rows[0].start >= 0x8000 else 0x8000
    load, store, value = {
        "6502": (0xBD, 0x9D, 0xA9), "6800": (0xA6, 0xA7, 0x86), "6809": (0xA6, 0xA7, 0x86), "1802": (0x0E, 0x5E, 0xF8),
    }.get(card.cpu, (0x7E, 0x77, 0x3E))  # fmt: skip
    tail = {"6502": [0x00, 0x40], "6800": [0x00], "6809": [0x84]}.get(card.cpu, [])
    done: list[Step] = []
    held = -1
    for kind, a, d in steps:
        code = [value, d] if kind and d != held else []
        held = d if kind else -1
        code.append(store if kind else load)
        for byte in [*code, *tail]:
            done.append((2, at, byte))
            at = at + 1 if at < low + 0x7E00 else low
        done.append((kind, a, d))
    return done
