"""Cycles drawn as the data sheets draw them: lines and edges, in ns, with each part's usual delays."""

from __future__ import annotations

import random
from dataclasses import dataclass

from tests.outside.fifth.model import Card, Cycle
from tests.outside.fifth.wires import Wires


@dataclass
class Timing:
    """How fast this machine is."""

    bus: str
    clock_ns: float  # T state, or whole cycle of a clocked bus
    access_ns: float  # of the memories, from the address
    turn_off_ns: float = 40.0

    def length(self, kind: str, waits: int) -> float:
        """A cycle's length in ns."""
        if self.bus in ("6502", "6800", "6809"):
            return self.clock_ns * (1 + waits)
        states = {"fetch": 4, "read": 3, "write": 3, "in": 4 if self.bus == "z80" else 3,
                  "out": 4 if self.bus == "z80" else 3, "idle": 1, "dma-read": 4, "dma-write": 4}[kind]
        return self.clock_ns * (states + waits)


def timing(bus: str, draw: random.Random) -> Timing:
    """A usual clock and usual memories for the bus."""
    if bus == "z80":
        clock = draw.choice([250.0, 400.0, 488.28, 500.0])
        return Timing(bus, clock, draw.uniform(0.6, 1.1) * clock)
    if bus == "8085":
        clock = draw.choice([325.5, 320.0, 500.0])
        return Timing(bus, clock, draw.uniform(200, 420))
    clock = draw.choice([1000.0, 1000.0, 1117.0, 978.0] if bus != "6809" else [1000.0, 1000.0, 1118.0])
    return Timing(bus, clock, draw.uniform(150, 420))


class Painter:
    """Paints cycles one after another. `lines` says which optional lines there are."""

    def __init__(self, card: Card, how: Timing, wires: Wires, draw: random.Random) -> None:
        self.card, self.how, self.wires, self.draw = card, how, wires, draw
        self.address, self.data = 0, 0xFF
        self.row = 0  # refresh counter
        self.flags: dict[str, int] = {}
        self.pull = 220.0 if card.pulled_up else 0.0
        self.rest()

    def rest(self) -> None:
        """Levels before anything happens."""
        high = {"z80": ["MREQ", "IORQ", "RD", "WR", "M1", "RFSH", "WAIT", "BUSAK", "HALT"],
                "8085": ["RD", "WR", "INTA", "READY"], "6502": ["RW", "RDY"], "6800": ["RW", "VMA"], "6809": ["RW"]}
        low = {"z80": [], "8085": ["ALE", "IOM", "S0", "S1", "HLDA"], "6502": ["SYNC"], "6800": ["BA"],
               "6809": ["BA", "BS"]}
        for line in high[self.card.bus]:
            self.flag(line, -500.0, 1)
        for line in low[self.card.bus]:
            self.flag(line, -500.0, 0)
        self.wires.bus("A", 16, -500.0, 0)
        self.wires.bus("D", 8, -500.0, 0xFF)

    def flag(self, line: str, when: float, level: int) -> None:
        """A line that keeps its level until it is told otherwise."""
        if self.flags.get(line) != level:
            self.flags[line] = level
            self.wires.set(line, when, level)

    def to_address(self, when: float, address: int) -> None:
        """The address bus moves."""
        self.wires.bus("A", 16, when, address)
        self.address = address

    def to_data(self, when: float, data: int, slow: float = 0.0) -> None:
        """The data bus moves."""
        self.wires.bus("D", 8, when, data, slow)
        self.data = data

    def drive(self, when: float, cycle: Cycle, off: float) -> None:
        """A read's data: some lines pass through a wrong level on the way; late lanes come after `off`."""
        if cycle.driven and self.wires.jitter() < 0.5:
            wrong = self.draw.randrange(256) & cycle.driven
            self.to_data(when - 60, (self.data & ~cycle.driven) | wrong)
        self.to_data(when, cycle.data)

    def release(self, when: float) -> None:
        """Nobody drives: pulled up, or the level stays."""
        if self.pull:
            self.to_data(when, 0xFF, self.pull)

    def paint(self, cycle: Cycle, t: float) -> None:
        """One cycle that begins at `t`."""
        if self.card.bus == "z80":
            self.z80(cycle, t)
        elif self.card.bus == "8085":
            self.i8085(cycle, t)
        else:
            self.clocked(cycle, t)

    def z80(self, c: Cycle, t: float) -> None:
        """Z80 machine cycles: see the user manual's pages 12 to 17."""
        w, tc = self.wires, self.how.clock_ns
        quick = 0.7 if tc < 300 else 1.0
        out = 90 * quick
        length = self.how.length(c.kind, c.waits)
        for i in range(round(length / tc)):
            w.strobe("CLK", t + i * tc, t + i * tc + tc / 2, 1)
        if c.kind == "idle":
            return
        if c.kind.startswith("dma"):
            self.flag("BUSAK", t - tc * 0.4, 0)
        else:
            self.flag("BUSAK", t + 20, 1)
        self.to_address(t + out, c.address)
        half = t + tc / 2
        down = half + 60 * quick
        waits = c.waits * tc
        if c.waits:
            w.strobe("WAIT", t + 1.1 * tc, t + 1.7 * tc + waits - tc)
        if c.kind == "fetch":
            up = t + 2 * tc + waits + 55 * quick
            self.flag("M1", t + out * 0.9, 0)
            w.strobe("MREQ", down, up)
            w.strobe("RD", down + 8, up + 4)
            self.drive(min(up - 110 * quick, t + out + self.how.access_ns + 40), c, up)
            self.release(up + self.how.turn_off_ns)
            self.flag("M1", t + 2 * tc + waits + 80 * quick, 1)
            self.flag("RFSH", t + 2 * tc + waits + 100 * quick, 0)
            self.to_address(t + 2 * tc + waits + out, self.row)
            self.row = (self.row + 1) & 0x7F
            w.strobe("MREQ", t + 2.5 * tc + waits + 60 * quick, t + 3.5 * tc + waits + 60 * quick)
            self.flag("RFSH", t + length + 70 * quick, 1)
        elif c.kind in ("read", "dma-read"):
            up = t + 2.5 * tc + waits + 60 * quick
            w.strobe("MREQ", down, up)
            w.strobe("RD", down + 8, up + 4)
            self.drive(min(up - 120 * quick, t + out + self.how.access_ns + 40), c, up)
            self.release(up + self.how.turn_off_ns)
        elif c.kind in ("write", "dma-write"):
            up = t + 2.5 * tc + waits + 60 * quick
            w.strobe("MREQ", down, up + 3)
            self.to_data(half + 110 * quick, c.data)
            w.strobe("WR", t + 1.5 * tc + 60 * quick, up)
            self.release(t + length + 40)
        else:
            up = t + 3.5 * tc + waits + 60 * quick
            w.strobe("IORQ", t + tc + 55 * quick, up)
            if c.kind == "in":
                w.strobe("RD", t + tc + 60 * quick, up + 4)
                self.drive(up - 250 * quick, c, up)
            else:
                self.to_data(half + 110 * quick, c.data)
                w.strobe("WR", t + tc + 60 * quick, up + 4)
            self.release(up + self.how.turn_off_ns)

    def i8085(self, c: Cycle, t: float) -> None:
        """8085 machine cycles: low address and data share AD0-AD7."""
        w, tc = self.wires, self.how.clock_ns
        if c.kind == "idle":
            return
        wait = c.waits * tc
        io = c.kind in ("in", "out")
        reads = c.kind in ("fetch", "read", "in", "dma-read")
        address = (c.address & 0xFF) * 0x101 if io else c.address
        self.flag("HLDA", t - 30, 1 if c.kind.startswith("dma") else 0)
        w.strobe("ALE", t + 0.08 * tc, t + 0.58 * tc, 1)
        self.flag("IOM", t + 40, 1 if io else 0)
        self.flag("S0", t + 40, 1 if c.kind == "fetch" or not reads else 0)
        self.flag("S1", t + 40, 1 if reads else 0)
        self.to_address(t + 45, (address & 0xFF00) | (self.address & 0xFF))
        self.to_data(t + 45, address & 0xFF)
        down = t + 1.0 * tc + 20
        up = t + 2.45 * tc + wait
        if c.waits:
            w.strobe("READY", t + 1.2 * tc, t + 1.2 * tc + wait)
        if reads:
            w.strobe("RD", down, up)
            self.drive(min(up - 130, max(down + 60, t + self.how.access_ns + 60)), c, up)
            self.release(up + self.how.turn_off_ns)
        else:
            w.strobe("WR", down, up)
            self.to_data(down + 8, c.data)
            self.release(up + 140)

    def clocked(self, c: Cycle, t: float) -> None:
        """6502, 6800, 6809: a cycle begins and ends where the second phase (E) falls."""
        w, t_cycle = self.wires, self.how.clock_ns * (1 + c.waits)
        bus = self.card.bus
        rise, fall = t + self.how.clock_ns / 2, t + t_cycle
        clock = "E" if bus == "6809" else "PHI2"
        w.strobe(clock, rise, fall, 1)
        if bus == "6809":
            w.strobe("Q", t + self.how.clock_ns / 4, fall - self.how.clock_ns / 4, 1)
        when = t + 110
        dma = c.kind.startswith("dma")
        if bus in ("6800", "6809"):
            self.flag("BA", t + 90, 1 if dma else 0)
        if bus == "6809":
            self.flag("BS", t + 90, 1 if dma else 0)
        self.to_address(when, 0xFFFF if bus == "6809" and c.kind == "idle" else c.address)
        writes = c.kind in ("write", "dma-write")
        self.flag("RW", when, 0 if writes else 1)
        if bus == "6800":
            self.flag("VMA", when, 0 if c.kind == "idle" else 1)
        if bus == "6502":
            self.flag("SYNC", when + 10, 1 if c.kind == "fetch" else 0)
            if c.waits:
                w.strobe("RDY", rise - 80, fall - 120)
        if c.kind == "idle":
            return
        if writes:
            self.to_data(rise + (90 if bus != "6809" else -20), c.data)
            self.release(fall + 70)
            return
        self.drive(min(fall - 160, max(rise - 120, when + self.how.access_ns)), c, fall)
        if c.eventual != c.data:
            self.to_data(fall + 12, c.eventual)
        self.release(fall + 110)
