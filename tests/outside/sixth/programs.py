"""What the machine runs: memory tests and everyday programs, put together from each processor's own instructions."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from .asm import Asm

Body = Callable[[], None]


@dataclass(frozen=True)
class Window:
    """Cells that a test goes over: the first, how many, how far apart."""

    start: int
    count: int
    step: int = 1

    def back(self) -> Window:
        """Give the same cells, last first."""
        return Window(self.start + self.step * (self.count - 1), self.count, -self.step)


class Writer(ABC):
    """What a processor's instruction writer offers; each processor has its own."""

    def __init__(self, asm: Asm, scratch: int, stop_at_error: bool) -> None:
        self.a = asm
        self.scratch = scratch  # a few bytes of RAM for variables
        self.stop = stop_at_error

    @abstractmethod
    def begin(self, stack: int) -> None: ...

    @abstractmethod
    def end(self, vectors: bool) -> None: ...

    @abstractmethod
    def each(self, window: Window, body: Body) -> None: ...

    @abstractmethod
    def put(self, value: int) -> None: ...

    @abstractmethod
    def check(self, value: int) -> None: ...

    @abstractmethod
    def put_address(self) -> None: ...

    @abstractmethod
    def check_address(self) -> None: ...

    @abstractmethod
    def walk(self) -> None: ...

    @abstractmethod
    def put_at(self, address: int, value: int) -> None: ...

    @abstractmethod
    def check_at(self, address: int, value: int) -> None: ...

    @abstractmethod
    def copy(self, source: int, to: int, count: int) -> None: ...

    @abstractmethod
    def compare(self, source: int, to: int, count: int) -> None: ...

    @abstractmethod
    def sort(self, start: int, count: int) -> None: ...

    @abstractmethod
    def recurse(self, depth: int) -> None: ...

    @abstractmethod
    def idle(self, turns: int) -> None: ...

    @abstractmethod
    def add_up(self, start: int, count: int) -> None: ...

    @abstractmethod
    def modify(self, at: int) -> None: ...

    @abstractmethod
    def spool(self, start: int, turns: int) -> None: ...


def march(w: Writer, at: Window, one: int) -> None:
    """March C- (van de Goor 1991): up w0; up r0w1; up r1w0; down r0w1; down r1w0; up r0."""
    zero = one ^ 0xFF
    w.each(at, lambda: w.put(zero))
    for window, was, now in ((at, zero, one), (at, one, zero), (at.back(), zero, one), (at.back(), one, zero)):

        def body(was: int = was, now: int = now) -> None:
            w.check(was)
            w.put(now)

        w.each(window, body)
    w.each(at, lambda: w.check(zero))


def inversions(w: Writer, at: Window, value: int) -> None:
    """Moving inversions: fill, then read, invert, read again, upward and downward."""
    w.each(at, lambda: w.put(value))
    for window, was in ((at, value), (at.back(), value ^ 0xFF)):

        def body(was: int = was) -> None:
            w.check(was)
            w.put(was ^ 0xFF)
            w.check(was ^ 0xFF)

        w.each(window, body)


def checkerboard(w: Writer, at: Window, value: int) -> None:
    """AA and 55 in turn, all written, then all read, then the other way about."""
    even = Window(at.start, max(1, at.count // 2), at.step * 2)
    odd = Window(at.start + at.step, max(1, at.count // 2), at.step * 2)
    for first in (value, value ^ 0xFF):
        w.each(even, lambda v=first: w.put(v))  # type: ignore[misc]
        w.each(odd, lambda v=first: w.put(v ^ 0xFF))  # type: ignore[misc]
        w.each(even, lambda v=first: w.check(v))  # type: ignore[misc]
        w.each(odd, lambda v=first: w.check(v ^ 0xFF))  # type: ignore[misc]


def gallop(w: Writer, at: Window, value: int) -> None:
    """Galloping pattern over a few cells: one differs, all others and it are read in turn."""
    few = Window(at.start, min(at.count, 24), at.step)
    w.each(few, lambda: w.put(value))
    for base in range(0, few.count, 4):
        cell = few.start + base * few.step
        w.put_at(cell, value ^ 0xFF)
        for first, count in ((0, base), (base + 1, few.count - base - 1)):
            if count:

                def body(cell: int = cell) -> None:
                    w.check(value)
                    w.check_at(cell, value ^ 0xFF)

                w.each(Window(few.start + first * few.step, count, few.step), body)
        w.put_at(cell, value)


def addresses(w: Writer, at: Window, _value: int) -> None:
    """Address in address: both halves folded, all written, then all read."""
    w.each(at, w.put_address)
    w.each(at, w.check_address)


def walking(w: Writer, at: Window, _value: int) -> None:
    """Walking one: each cell in turn, each lane in turn."""
    w.each(Window(at.start, min(at.count, 40), at.step), w.walk)


TESTS = (march, inversions, checkerboard, gallop, addresses, walking)


def everyday_jobs(w: Writer, rom: int, start: int, n: int) -> list[Body]:
    """Copy and compare, scroll, sort, spool."""

    def copied() -> None:
        w.copy(rom, start, n // 2)
        w.compare(rom, start, n // 2)

    def scrolled() -> None:
        w.copy(rom + 7, start, n)
        w.copy(start + n // 4, start, n - n // 4)

    def sorted_() -> None:
        w.copy(rom + 3, start, 14)
        w.sort(start, 14)

    return [copied, scrolled, sorted_, lambda: w.spool(start, 24)]


def fill(
    w: Writer, rom: tuple[int, int], windows: list[list[Window]], everyday: list[Window], draw: Random,
    more: list[Body],
) -> None:  # fmt: skip
    """Write the main loop: tests over the windows of each row, everyday work between them.

    `windows` holds, per row, the cells that may be tested; `everyday` the areas for copying, sorting and spooling.
    """
    a = w.a
    a.label("main")
    favourite = draw.choice(TESTS)
    jobs: list[Body] = list(more)
    for row in windows:
        for window in row:
            test = favourite if draw.random() < 0.5 else draw.choice(TESTS)
            value = draw.choice((0xFF, 0x00, 0xAA, 0x55, 0x33, 0x0F, draw.randrange(256)))
            jobs.append(lambda t=test, x=window, v=value: t(w, x, v))  # type: ignore[misc]
    for area in everyday:
        n = min(area.count, 96)
        start = area.start
        jobs.append(draw.choice(everyday_jobs(w, rom[0], start, n)))
    jobs.append(lambda: w.idle(20))
    if draw.random() < 0.6:
        jobs.append(lambda: w.recurse(draw.randint(5, 20)))
    if draw.random() < 0.5:
        jobs.append(lambda: w.add_up(rom[0], draw.randint(40, 120)))
    draw.shuffle(jobs)
    for job in jobs:
        job()
