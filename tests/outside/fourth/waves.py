"""Levels over time: each bus cycle drawn as edges on its lines, after the makers' timing diagrams.

Times in ns. A read's data becomes valid well before the processor takes it (ordinary memories), wanders a little
before that, and is let go after the strobe; an undriven lane keeps its level, or rises through its pull-up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from tests.outside.fourth.layout import Board
from tests.outside.fourth.physics import Trace
from tests.outside.fourth.processors import DEAD, FETCH, OUT, WRITE, Cycle

CLOCKED = ("6502", "6800", "6809")


@dataclass
class Timing:
    """One machine's clock (T of a strobed bus, a whole cycle of a clocked one) and what its parts take."""

    clock: float
    delay: float  # from a clock edge to an address or strobe, as a share of the clock
    access: float  # memory: from strobe or address to data, ns
    waits: int = 0


def draw_timing(bus: str, rng: Random) -> Timing:
    """A clock within the maker's grades, and memory fast enough for it."""
    if bus == "z80":
        clock = rng.choice((250.0, 271.3, 325.5, 400.0, 406.9, 500.0))
        return Timing(clock, rng.uniform(0.10, 0.16), rng.uniform(0.3, 0.6) * clock, rng.choice((0, 0, 0, 1, 2)))
    if bus == "8085":
        clock = rng.choice((320.0, 325.5, 333.3, 400.0, 500.0))
        return Timing(clock, rng.uniform(0.04, 0.09), rng.uniform(0.3, 0.8) * clock, rng.choice((0, 0, 1)))
    clock = rng.choice((500.0, 666.7, 977.8, 1000.0, 1000.0, 1117.5))
    return Timing(clock, rng.uniform(0.10, 0.16), rng.uniform(0.28, 0.45) * clock)


def durations(bus: str, cycles: list[Cycle], timing: Timing) -> list[float]:
    """How long each cycle lasts, ns."""
    if bus in CLOCKED:
        return [timing.clock] * len(cycles)
    states = {FETCH: 4, OUT: 4 if bus == "z80" else 3}
    return [(states.get(kind, 3) + extra + timing.waits) * timing.clock for kind, _, _, extra in cycles]


@dataclass
class Waves:
    """Edges by line: times and levels, and the moments at which a stray pulse is harmless."""

    edges: dict[str, tuple[list[float], list[int]]] = field(default_factory=dict)
    level: dict[str, int] = field(default_factory=dict)
    rising: dict[str, float] = field(default_factory=dict)  # pull-ups under way
    quiet: list[float] = field(default_factory=list)
    end: float = 0.0

    def put(self, line: str, time: float, level: int) -> None:
        """A line goes to a level."""
        due = self.rising.pop(line, None)
        if due is not None and due < time and not self.level[line]:
            self._edge(line, due, 1)
        if self.level.get(line) != level:
            self._edge(line, time, level)

    def _edge(self, line: str, time: float, level: int) -> None:
        times, levels = self.edges.setdefault(line, ([], []))
        if times and time < times[-1]:
            time = times[-1]
        times.append(time)
        levels.append(level)
        self.level[line] = level


class Painter:
    """Draws the cycles of one board."""

    def __init__(self, board: Board, timing: Timing, rng: Random) -> None:
        self.board, self.timing, self.rng = board, timing, rng
        self.waves = Waves()
        self.address = -1
        self.rows = -1
        self.groups = -1
        self.skew = [rng.uniform(0, 8) for _ in range(16)]
        for line in {"z80": ("MREQ", "IORQ", "RD", "WR", "M1", "RFSH"), "8085": ("RD", "WR")}.get(board.bus, ()):
            self.waves.put(line, 0.0, 1)
        if board.bus == "8085":
            self.waves.put("ALE", 0.0, 0)
        for lane in range(8):
            self.waves.put(f"D{lane}", 0.0, 1)

    def put_address(self, time: float, address: int, mask: int = 0xFFFF) -> None:
        """The address lines of `mask` move to an address."""
        moved = (address ^ self.address) & mask if self.address >= 0 else mask
        for bit in range(16):
            if moved >> bit & 1:
                self.waves.put(f"A{bit}", time + self.skew[bit], address >> bit & 1)
        self.address = address

    def put_data(self, time: float, data: int, lanes: int = 0xFF) -> None:
        """The lanes of `lanes` are driven to a byte."""
        for lane in range(8):
            if lanes >> lane & 1:
                self.waves.put(f"D{lane}", time + self.skew[lane] * 0.5, data >> lane & 1)

    def let_go(self, time: float, lanes: int = 0xFF) -> None:
        """Lanes float from now on."""
        if self.board.floats == "pull":
            for lane in range(8):
                if lanes >> lane & 1 and not self.waves.level[f"D{lane}"]:
                    self.waves.rising[f"D{lane}"] = time + 60 + 4 * self.skew[lane]

    def give(self, since: float, valid: float, data: int, lanes: int) -> None:
        """Memory drives: perhaps something else first, the byte from `valid` on."""
        if self.rng.random() < 0.3:
            self.put_data(since + 0.4 * (valid - since), data ^ self.rng.getrandbits(8), lanes)
        self.put_data(valid, data, lanes)

    def put_selects(self, time: float, rows: int, address: int, cycle: bool) -> None:
        """Select outputs and the drivers' enables (low when they come)."""
        if rows != self.rows:
            for index, row in enumerate(self.board.rows):
                self.waves.put(row.select, time, 1 - (rows >> index & 1))
            self.rows = rows
        own = self.board.row_at(address) if cycle else -1
        if own != self.groups:
            for driver in self.board.drivers:
                if driver.enable:
                    self.waves.put(driver.enable, time, 0 if own in driver.serves else 1)
            self.groups = own

    def natural(self, address: int) -> int:
        """Rows that an address selects on a sound card, as bits."""
        row = self.board.row_at(address)
        return 1 << row if row >= 0 else 0

    def clocked(self, start: float, cycle: Cycle, data: int, rows: int, driven: int) -> None:
        """A cycle of a 6502, 6800 or 6809: address in the first half, data at the end of the second."""
        kind, address, _, _ = cycle
        w, t, bus = self.waves, self.timing.clock, self.board.bus
        clock, rise = ("E", 0.5) if bus == "6809" else ("PHI2", 0.51)
        set_up = start + self.timing.delay * t
        write = kind == WRITE
        w.put(clock, start, 0)
        self.put_address(set_up, address)
        w.put("RW", set_up + 6, 0 if write else 1)
        if bus == "6502":
            w.put("SYNC", set_up + 4, 1 if kind == FETCH else 0)
        elif bus == "6800":
            w.put("VMA", set_up + 4, 0 if kind == DEAD else 1)
        else:
            w.put("BS", set_up, 0)
            w.put("Q", start + 0.25 * t, 1)
            w.put("Q", start + 0.75 * t, 0)
        gated = self.board.decoder_inputs.get("G1") in ("PHI2", "E")
        if gated:
            self.put_selects(start + 9, 0, address, True)
        self.put_selects(start + rise * t + 15 if gated else set_up + 24, rows, address, kind != DEAD)
        w.put(clock, start + rise * t, 1)
        end = start + t
        if write:
            self.put_data(start + (0.25 + 0.15 if bus == "6809" else rise + 0.11) * t, data)
            self.let_go(end + 0.045 * t + 12)
        elif driven:
            self.give(set_up + 40, set_up + 24 + self.timing.access, data, driven)
            self.let_go(end + 0.045 * t + 12, driven)
        w.quiet.append(start + 0.31 * t)

    def z80(self, start: float, cycle: Cycle, data: int, rows: int, driven: int, refresh: int) -> None:
        """A Z80 machine cycle (user manual's figures: M1, memory read, memory write, output)."""
        kind, address, _, _ = cycle
        w, t, wait = self.waves, self.timing.clock, self.timing.waits
        d = self.timing.delay * t
        write = kind in (WRITE, OUT)
        self.put_address(start + 0.5 * d + 0.1 * t, address)
        gate = "MREQ" in self.board.decoder_inputs.values()
        if not gate:
            self.put_selects(start + d + 0.25 * t, rows, address, True)
        strobe = "IORQ" if kind == OUT else "MREQ"
        low = start + (1.0 if kind == OUT else 0.5) * t + d
        if kind == FETCH:
            w.put("M1", start + d, 0)
        w.put(strobe, low, 0)
        if gate and kind != OUT:
            self.put_selects(low + 14, rows, address, True)
        if write:
            self.put_data(start + 0.6 * t, data)
            w.put("WR", start + ((1.0 if kind == OUT else 1.5) * t) + d, 0)
            up = start + (3.5 if kind == OUT else 2.5) * t + wait * t + d
            w.put("WR", up, 1)
            self.let_go(up + 0.45 * t)
        else:
            w.put("RD", low + 5, 0)
            up = start + (2.0 if kind == FETCH else 2.5) * t + wait * t + d
            if driven:
                self.give(low + 20, low + 14 + self.timing.access, data, driven)
                self.let_go(up + 18, driven)
            w.put("RD", up, 1)
        w.put(strobe, up + 3, 1)
        if gate and kind != OUT:
            self.put_selects(up + 16, 0, address, True)
        if kind == FETCH:
            w.put("M1", up + 4, 1)
            mid = start + (2 + wait) * t
            self.put_address(mid + 0.2 * t + d, refresh)
            w.put("RFSH", mid + 0.25 * t + d, 0)
            if not gate:
                guarded = self.board.decoder_inputs.get("G1") == "RFSH"
                self.put_selects(mid + 0.4 * t + d, 0 if guarded else self.natural(refresh), refresh, True)
            w.put("MREQ", mid + 0.5 * t + d, 0)
            if gate:
                self.put_selects(mid + 0.5 * t + d + 14, self.natural(refresh), refresh, True)
            w.put("MREQ", mid + 1.5 * t + d, 1)
            if gate:
                self.put_selects(mid + 1.5 * t + d + 14, 0, refresh, True)
            w.put("RFSH", mid + 2 * t + d, 1)
        else:
            w.quiet.append(up + 0.5 * t + 0.15 * t)

    def i8085(self, start: float, cycle: Cycle, data: int, rows: int, driven: int) -> None:
        """An 8085A machine cycle: the low address on the data lines while ALE is high."""
        kind, address, _, _ = cycle
        w, t, wait = self.waves, self.timing.clock, self.timing.waits
        d = self.timing.delay * t
        status = {FETCH: (1, 1, 0), WRITE: (1, 0, 0), OUT: (1, 0, 1)}.get(kind, (0, 1, 0))
        w.put("ALE", start + d, 1)
        for line, level in zip(("S0", "S1", "IOM"), (status[0], status[1], status[2]), strict=True):
            w.put(line, start + d, level)
        self.put_address(start + d, address, 0xFF00)
        self.put_data(start + d, address & 0xFF)
        self.put_selects(start + d + 20, rows, address, kind != OUT)
        w.put("ALE", start + 0.5 * t + d, 0)
        down, up = start + t + d, start + (2.6 + wait) * t + d
        if kind in (WRITE, OUT):
            w.put("WR", down, 0)
            self.put_data(down + 18, data)
            w.put("WR", up, 1)
            self.let_go(up + 0.38 * t)
        else:
            self.let_go(down - 5)
            w.put("RD", down, 0)
            if driven:
                self.give(down + 15, down + 10 + self.timing.access, data, driven)
                self.let_go(up + 16, driven)
            w.put("RD", up, 1)

    def paint(self, cycles: list[Cycle], trace: Trace, starts: list[float]) -> Waves:
        """Draws all cycles."""
        refresh = 0
        for number, cycle in enumerate(cycles):
            data, rows, driven = trace.data[number], trace.selects[number], trace.driven[number]
            if self.board.bus in CLOCKED:
                self.clocked(starts[number], cycle, data, rows, driven)
            elif self.board.bus == "z80":
                self.z80(starts[number], cycle, data, rows, driven, refresh)
                refresh = refresh + (cycle[0] == FETCH) & 0x7F
            else:
                self.i8085(starts[number], cycle, data, rows, driven)
        self.waves.end = starts[-1] + 4 * self.timing.clock
        for line in list(self.waves.rising):
            self.waves.put(line, self.waves.end, self.waves.level[line])
        if self.board.bus in CLOCKED:
            self.waves.put("E" if self.board.bus == "6809" else "PHI2", starts[-1] + self.timing.clock, 0)
        return self.waves
