"""What makes a healthy but unusual case."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from tests.outside.fifth import breaks, doings
from tests.outside.fifth.buses import Timing, timing
from tests.outside.fifth.cards import Layout, layout
from tests.outside.fifth.case import Setup
from tests.outside.fifth.engine import Interrupts, Trace
from tests.outside.fifth.machine import Overlay
from tests.outside.fifth.programs import Cpu, Program

__all__ = ["Scenario", "breaks", "plain"]


@dataclass
class Scenario:
    """A sound machine, what is odd about it or its capture, and which answers are right."""

    what: str
    place: Layout
    timing: Timing
    rival: list[str] = field(default_factory=list)  # any of these first; empty: nothing to find
    tolerated: list[str] = field(default_factory=list)  # said of a region or lane without naming a part, no harm
    budget: int = 10000
    overlays: list[Overlay] = field(default_factory=list)
    programs: Callable[[Cpu], Iterator[Program]] | None = None
    interrupts: Callable[[Cpu], Interrupts] | None = None
    waits: Callable[[str, int], int] | None = None
    tweak: Callable[[Setup, Trace], None] | None = None

    def sitting(self, cpu: Cpu) -> Iterator[Program]:
        """The programs: its own, or an ordinary sitting."""
        if self.programs is not None:
            return self.programs(cpu)
        return doings.usual(self.place, cpu, self.budget)


def plain(draw: random.Random, what: str, bus: str | None = None, **more: object) -> Scenario:
    """An ordinary machine to begin with."""
    place = layout(draw, bus)
    made = Scenario(what, place, timing(place.card.bus, draw), budget=draw.choice([6000, 10000, 16000]))
    for key, value in more.items():
        setattr(made, key, value)
    return made
