"""What the processor does: memory tests, tables, copies, an ordinary program."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .cpu import Cpu, FinishedError
from .layout import Layout

Span = tuple[int, int]
Program = Callable[[Cpu, np.random.Generator, list[Span]], None]


def _window(rng: np.random.Generator, span: Span, most: int) -> list[int]:
    """Addresses of a span to work on: a run at its start, one elsewhere, and every power of two."""
    start, size = span
    most = min(most, size)
    run = most * 3 // 4
    chosen = set(range(start, start + run // 2))
    other = int(rng.integers(0, max(1, size - run // 2)))
    chosen |= set(range(start + other, start + min(size, other + run // 2)))
    chosen |= {start + (1 << bit) for bit in range(size.bit_length() - 1)}
    chosen |= set((start + rng.integers(0, size, most // 4)).tolist())
    chosen |= {start, start + size - 1}
    return sorted(chosen)


def march(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """March C-: up w0; up r0 w1; up r1 w0; down r0 w1; down r1 w0; r0."""
    low = int(rng.choice([0x00, 0x55, 0x00]))
    high = low ^ 0xFF
    for span in spans:
        window = _window(rng, span, 96)
        for a in window:
            cpu.write(a, low)
        for order, was, new in ((1, low, high), (1, high, low), (-1, low, high), (-1, high, low)):
            for a in window[::order]:
                cpu.read(a)
                cpu.write(a, new if was != new else low)
        for a in window:
            cpu.read(a)


def checkerboard(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """55 and AA by turns, then the other way round."""
    for first in (0x55, 0xAA):
        for span in spans:
            window = _window(rng, span, 160)
            for a in window:
                cpu.write(a, first ^ (0xFF if a & 1 else 0))
            for a in window:
                cpu.read(a)


def address_test(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """Each cell gets a byte made of its address; all are read after all were written."""
    spin = int(rng.integers(1, 128)) * 2 + 1
    windows = [_window(rng, span, 128) for span in spans]
    for window in windows:
        for a in window:
            cpu.write(a, (a ^ (a >> 8) * spin) & 0xFF)
    for window in windows:
        for a in window:
            cpu.read(a)


def random_data(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """Random bytes to random cells of a working set, read now and then."""
    cells = np.concatenate([np.array(_window(rng, span, 80)) for span in spans])
    for value in rng.integers(0, 256, 500).tolist():
        a = int(cells[int(cpu.luck() * len(cells))])
        if cpu.luck() < 0.45:
            cpu.write(a, value)
        else:
            cpu.read(a)


def ordinary(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """Calls and returns on a stack, counters, tables, variables."""
    start, size = spans[0]
    stack = start + size - 2
    tables = [(s + int(rng.integers(0, max(1, n - 33))), min(32, n)) for s, n in spans]
    for place, length in tables:
        for i in range(length):
            cpu.write(place + i, int(cpu.luck() * 256))
    variables = [s + int(rng.integers(0, n - 4)) for s, n in spans for _ in range(4)]
    for a in variables:
        cpu.write(a, int(cpu.luck() * 256))
    for _ in range(60):
        depth = 1 + int(cpu.luck() * 4)
        for level in range(depth):
            cpu.write(stack - 2 * level, cpu.pc >> 8)
            cpu.write(stack - 2 * level - 1, cpu.pc & 0xFF)
        cpu.enter(int(cpu.luck() * len(cpu.code)))
        place, length = tables[int(cpu.luck() * len(tables))]
        for i in range(length // 2):
            cpu.read(place + i)
        a = variables[int(cpu.luck() * len(variables))]
        cpu.write(a, (cpu.read(a) + 1) & 0xFF)
        a = variables[int(cpu.luck() * len(variables))]
        cpu.write(a, int(cpu.luck() * 256))
        for level in range(depth - 1, -1, -1):
            cpu.read(stack - 2 * level - 1)
            cpu.read(stack - 2 * level)


def block_copy(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """Fill a block, copy it, compare."""
    source, size = spans[int(cpu.luck() * len(spans))]
    target, room = spans[int(cpu.luck() * len(spans))]
    length = min(64, size // 4, room // 4)
    source += int(rng.integers(0, size - length))
    target += int(rng.integers(0, room - length))
    for i in range(length):
        cpu.write(source + i, int(cpu.luck() * 256))
    for i in range(length):
        cpu.write(target + i, cpu.read(source + i))
    for i in range(length):
        cpu.read(source + i)
        cpu.read(target + i)


def rom_sum(cpu: Cpu, rng: np.random.Generator, spans: list[Span]) -> None:
    """Add up a piece of the code, as a self test does."""
    start, size = cpu.code[0]
    first = int(rng.integers(0, max(1, size - 200)))
    for i in range(min(200, size)):
        cpu.read(start + first + i)


PROGRAMS: dict[str, Program] = {
    "march": march, "checkerboard": checkerboard, "address": address_test, "random": random_data, "ordinary": ordinary,
    "copy": block_copy,
}  # fmt: skip


def spans_of(layout: Layout, numbers: list[int] | None = None) -> list[Span]:
    """The regions as (start, size)."""
    return [(layout.regions[i].start, layout.regions[i].size) for i in (layout.ram if numbers is None else numbers)]


def run(
    cpu: Cpu, rng: np.random.Generator, layout: Layout, spans: list[Span] | None = None,
    between: Callable[[Cpu], None] | None = None, only: list[str] | None = None,
) -> None:  # fmt: skip
    """Programs one after another until the capture is full; `between` runs after each."""
    spans = spans or spans_of(layout)
    names = only or list(rng.permutation(list(PROGRAMS)))
    names = names[: 2 + int(rng.integers(0, 3))]
    # whatever else runs, the first thing is to give every cell in use something known
    try:
        address_test(cpu, rng, spans)
        while True:
            for name in names:
                turn = int(rng.integers(0, len(spans)))
                few = (spans[turn:] + spans[:turn])[:3]
                if between:
                    between(cpu)
                PROGRAMS[name](cpu, rng, few)
            cpu.enter(int(rng.integers(0, len(cpu.code))))
            if rng.random() < 0.4:
                rom_sum(cpu, rng, spans)
            if cpu.family == "z80":
                cpu.out(int(rng.integers(0, 256)), int(rng.integers(0, 256)))
                cpu.inp(int(rng.integers(0, 256)))
            address_test(cpu, rng, spans)
    except FinishedError:
        return
