"""Runs programs on a machine: every access in turn, interrupts in between, the time that each takes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from tests.outside.fifth.buses import Timing
from tests.outside.fifth.machine import Machine
from tests.outside.fifth.model import Cycle
from tests.outside.fifth.programs import Op, Program

KINDS = {"R": "read", "W": "write", "F": "fetch", "I": "in", "O": "out", "D": "dma-write", "E": "dma-read"}


@dataclass
class Trace:
    """What happened: cycles and when each began (ns)."""

    cycles: list[Cycle] = field(default_factory=list)
    times: list[float] = field(default_factory=list)
    end: float = 0.0


@dataclass
class Interrupts:
    """A routine that comes every so many accesses (drawn about `every`)."""

    routine: Callable[[], Program]
    every: int
    left: int = 100


class Engine:
    """Steps programs through a machine."""

    def __init__(self, machine: Machine, how: Timing, interrupts: Interrupts | None = None,
                 waits: Callable[[str, int], int] | None = None) -> None:
        self.machine, self.how, self.interrupts = machine, how, interrupts
        self.waits = waits or (lambda kind, address: 0)
        self.trace = Trace()
        self.now = 0.0
        self.last = 0

    def run(self, program: Program, limit: int) -> None:
        """Runs to the program's end, or until the trace has `limit` cycles."""
        try:
            op = next(program)
            while len(self.trace.cycles) < limit:
                op = program.send(self.do(op))
                if self.interrupts is not None:
                    self.interrupts.left -= 1
                    if self.interrupts.left <= 0:
                        self.interrupts.left = self.interrupts.every
                        self.run_through(self.interrupts.routine(), limit)
        except StopIteration:
            pass

    def run_through(self, program: Program, limit: int) -> None:
        """An interrupt's routine: no interrupts within."""
        try:
            op = next(program)
            while len(self.trace.cycles) < limit:
                op = program.send(self.do(op))
        except StopIteration:
            pass

    def do(self, op: Op) -> int:
        """One access."""
        bus = self.how.bus
        if op[0] == "N":
            for _ in range(op[1]):
                if bus == "6502":
                    self.cycle("read", self.last, 0)
                else:
                    self.trace.cycles.append(Cycle("idle", self.last, 0))
                    self.trace.times.append(self.now)
                    self.now += self.how.length("idle", 0)
            self.trace.end = self.now
            return 0
        kind = KINDS[op[0]]
        if kind == "fetch" and bus in ("6800", "6809"):
            kind = "read"
        return self.cycle(kind, op[1], op[2] if len(op) > 2 else 0)

    def cycle(self, kind: str, address: int, data: int) -> int:
        """One cycle on the bus."""
        self.last = address
        done = self.machine.access(kind, address, data, self.now)
        done.waits = self.waits(kind, address)
        self.trace.cycles.append(done)
        self.trace.times.append(self.now)
        self.now += self.how.length(kind, done.waits)
        self.trace.end = self.now
        return done.data
