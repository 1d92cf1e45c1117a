"""What the machine does while the analyser runs: a test, some applications, in some order."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from tests.outside.fifth import applications, programs
from tests.outside.fifth.cards import Layout
from tests.outside.fifth.model import Region
from tests.outside.fifth.programs import Code, Cpu, Program


def processor(layout: Layout, draw: random.Random) -> Cpu:
    """The processor with its program and stack."""
    low, high = layout.code
    return Cpu(Code(low, high), draw, layout.stack, layout.port)


def usable(layout: Layout, region: Region) -> tuple[int, int]:
    """The part of a region that the stack leaves: start and size."""
    if not region.start <= layout.stack <= region.end:
        return region.start, region.size
    below = layout.stack - 48 - region.start
    above = region.end - layout.stack
    return (region.start, below) if below >= above else (layout.stack + 1, above)


def tests(layout: Layout, cpu: Cpu, regions: Sequence[Region], room: int) -> Iterator[Program]:
    """A memory test over each of the regions."""
    for region in regions:
        start, size = usable(layout, region)
        yield programs.memory_test(cpu, start, size, room)


def busy(layout: Layout, cpu: Cpu, regions: Sequence[Region], room: int) -> Iterator[Program]:
    """Ordinary programs in the regions, without end."""
    draw = cpu.draw
    while True:
        region = draw.choice(regions)
        start, size = usable(layout, region)
        what = draw.random()
        if what < 0.12:
            yield applications.nested(cpu, min(room, 120))
        elif what < 0.2:
            other = draw.choice(regions)
            target, span = usable(layout, other)
            count = min(size, span, draw.randint(16, 96))
            yield from iter([fill(cpu, start, count), applications.copy(cpu, start, target + span - count, count),
                             applications.search(cpu, target + span - count, count, 2)])
        elif what < 0.24 and any(one.kind == "rom" for one in layout.card.regions):
            rom = next(one for one in layout.card.regions if one.kind == "rom")
            yield applications.search(cpu, rom.start + draw.randrange(rom.size - 64), 64, 3)
        else:
            yield applications.one_of(cpu, start, size, room)


def fill(cpu: Cpu, start: int, count: int) -> Program:
    """Text into a block."""
    yield from programs.fill_and_check(cpu, range(start, start + count), programs.scattered, 1)


def usual(layout: Layout, cpu: Cpu, budget: int, focus: Sequence[Region] | None = None) -> Iterator[Program]:
    """A sitting: tests first, programs first, or one of them alone; more of it in the regions of `focus`."""
    draw = cpu.draw
    rams = layout.card.rams()
    weighted = list(rams) + [one for one in focus or () for _ in range(2 * len(rams))]
    style = draw.random()
    room = max(120, budget // (5 * (len(rams) + (2 if focus else 0))))
    if style < 0.5:
        yield from tests(layout, cpu, [*(focus or ()), *rams], room)
    elif style < 0.7:
        for _ in range(3):
            yield applications.one_of(cpu, *usable(layout, draw.choice(weighted)), min(room, 400))
        yield from tests(layout, cpu, [*(focus or ()), *rams], room)
    yield from busy(layout, cpu, weighted, draw.choice([150, 300, 600]))
