"""When each line of the bus moves: published cycle timing, a card of ordinary speed, all times in ns."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from .board import Board
from .cpus import FETCH, IDLE, IN, OUT, READ, WRITE, Cycles

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
CLOCKS = {
    "6502": [1000.0, 977.8, 1015.0, 500.0], "6800": [1000.0, 1117.5, 1085.0, 667.0], "6809": [1000.0, 1117.5, 500.0],
    "z80": [400.0, 500.0, 250.0, 279.4, 325.5], "8085": [320.0, 325.5, 400.0, 200.0], "8080": [500.0, 488.3, 600.0],
}  # fmt: skip
RATES = [12.0, 16.0, 24.0, 25.0, 50.0, 100.0]


def rates_for(bus: str, clock: float) -> list[float]:
    """Sample rates in MHz, 8 to 50 to the clock, that a careful person would use on this bus."""
    least = {"6809": 16.0, "z80": 9.0, "8085": 12.0, "8080": 9.0}.get(bus, 8.0)
    return [r for r in RATES if least <= r * clock / 1000.0 <= 51.0]


@dataclass
class Waves:
    """Edges of every line, and where stray pulses may fall without hurting a strobe."""

    lines: dict[str, tuple[F64, I64]] = field(default_factory=dict)
    quiet: list[tuple[float, float]] = field(default_factory=list)
    end: float = 0.0


class Scope:
    """What all buses need to draw themselves."""

    def __init__(
        self, rng: random.Random, board: Board, cycles: Cycles, seen: I64, driven: I64, selected: I64,
        clock: float, sample: float, spread: float, pull: int | None,
    ) -> None:  # fmt: skip
        self.rng = rng
        self.np_rng = np.random.default_rng(rng.randrange(1 << 30))
        self.board = board
        self.c = cycles
        self.seen = seen
        self.driven = driven
        self.selected = selected
        self.clock = clock
        self.sample = sample
        self.slack = spread * sample + 12.0
        self.pull = pull
        self.hold = max(rng.uniform(20.0, 60.0) * min(1.0, clock / 500.0), self.slack)
        self.waves = Waves()
        self.data: list[tuple[F64, I64]] = []
        self.address: list[tuple[F64, I64]] = []
        self.junk = rng.random() < 0.3
        self.is_write = cycles.kind == WRITE
        self.is_read = (cycles.kind == READ) | (cycles.kind == FETCH)
        self.begin = self._starts()

    def _starts(self) -> F64:
        bus = self.board.bus
        length = np.full(len(self.c), self.clock)
        if bus in ("z80", "8085", "8080"):
            length = self.clock * self.c.states.astype(np.float64)
        at = 300.0 + np.concatenate([[0.0], np.cumsum(length)])
        self.waves.end = float(at[-1]) + self.clock * 0.2
        return np.asarray(at[:-1], dtype=np.float64)

    def level(self, name: str, t: F64, v: I64 | int) -> None:
        """A line that takes the values v at the times t."""
        values = np.full(len(t), v, np.int64) if isinstance(v, int) else v
        self.waves.lines[name] = (t, values)

    def pulses(self, name: str, on: F64, off: F64, active: int) -> None:
        """A line that is active from on to off."""
        t = np.concatenate([[0.0], on, off])
        v = np.concatenate([[1 - active], np.full(len(on), active), np.full(len(off), 1 - active)]).astype(np.int64)
        order = np.argsort(t, kind="stable")
        self.level(name, t[order], v[order])

    def read_data(self, mask: npt.NDArray[np.bool_], valid: F64, release: F64) -> None:
        """Data of reads: valid from, let go at."""
        t, v, d = valid[mask], self.seen[mask], self.driven[mask]
        if self.junk:
            noise = self.np_rng.integers(0, 256, len(t))
            early = np.minimum(45.0, self.clock * 0.06)
            self.data.append((t - early, np.where(self.is_undriven(d), v, v ^ (noise & d))))
        self.data.append((t, v))
        self.let_go(release[mask])

    def is_undriven(self, driven: I64) -> npt.NDArray[np.bool_]:
        """Reads that nobody answers at all."""
        return np.asarray(driven == 0, dtype=np.bool_)

    def let_go(self, t: F64) -> None:
        """Nobody drives from here: a pulled bus goes to its level, another keeps what it has."""
        if self.pull is not None:
            self.data.append((t, np.full(len(t), self.pull, np.int64)))

    def write_data(self, mask: npt.NDArray[np.bool_], valid: F64, release: F64) -> None:
        """Data that the processor drives."""
        self.data.append((valid[mask], self.seen[mask]))
        self.let_go(release[mask])

    def split(self, events: list[tuple[F64, I64]], names: list[str], spread: float) -> None:
        """Events of a whole bus to its lines, each with its own small delay."""
        t = np.concatenate([e[0] for e in events])
        v = np.concatenate([e[1] for e in events])
        order = np.argsort(t, kind="stable")
        t, v = t[order], v[order]
        for bit, name in enumerate(names):
            if name:
                self.level(name, t + self.rng.uniform(0.0, spread), (v >> bit) & 1)

    def selects(self, gate: str, on: F64, off: F64, mask: npt.NDArray[np.bool_]) -> None:
        """Select lines, from the address (gate '') or inside a strobe."""
        for index, region in enumerate(self.board.regions):
            if not region.select:
                continue
            hit = (self.selected >> index & 1).astype(bool) & mask
            if gate:
                self.pulses(region.select, on[hit] + 25.0, off[hit] + 20.0 + self.slack, 0)
            else:
                levels = np.concatenate([[1], 1 - hit]).astype(np.int64)
                self.level(region.select, np.concatenate([[0.0], on + 30.0]), levels)

    def gated(self) -> bool:
        """Whether the decoder waits for the clock or a strobe."""
        return any(set(d.inputs.values()) & {"PHI2", "E", "MREQ"} for d in self.board.decoders)

    def finish(self, mux: bool) -> Waves:
        """The lines of the two buses, and a direction line of its own."""
        spread = min(10.0, self.clock * 0.02)
        if mux:
            self.split(self.data, [f"AD{n}" for n in range(8)], spread)
            self.split(self.address, [""] * 8 + [f"A{n}" for n in range(8, 16)], spread)
        else:
            self.split(self.data, [f"D{n}" for n in range(8)], spread)
            self.split(self.address, [f"A{n}" for n in range(16)], spread)
        for buffer in self.board.data_buffers():
            if buffer.direction and buffer.direction[0] == "DDIR":
                source = {"z80": "RD", "8085": "RD", "8080": "DBIN"}.get(self.board.bus, "RW")
                t, v = self.waves.lines[source]
                lag = 15.0 + (self.slack if source != "RW" else 0.0)
                self.level("DDIR", np.where(np.arange(len(t)) == 0, t, t + lag), v)
        return self.waves

    # --- clocked buses ---

    def clocked(self) -> Waves:
        """6502, 6800, 6809: a cycle begins where the clock falls."""
        rng, clock, begin = self.rng, self.clock, self.begin
        scale = clock / 1000.0
        bus = self.board.bus
        most = 115.0 if bus == "6809" else 210.0
        late = max(rng.uniform(60.0, most) * scale, 32.0, self.slack)
        change = begin + late
        edge = begin + clock
        setup = {"6502": 100.0, "6800": 100.0, "6809": 80.0}[bus] * scale * 1.25 + 2.0 * self.sample
        valid = np.minimum(late + rng.uniform(180.0, 440.0) * scale, clock - setup)
        if self.gated():
            valid = np.minimum(max(valid, 0.5 * clock + 90.0 * scale), clock - setup)
        wait = self.np_rng.uniform(-15.0, 0.0, len(begin)) * scale
        self.address.append((np.concatenate([[0.0], change]), np.concatenate([[0xFFFF], self.c.address])))
        self.data.append((np.zeros(1), np.full(1, 0xFF if self.pull is None else self.pull, np.int64)))
        self.read_data(self.is_read, begin + float(valid) + wait, edge + self.hold)
        drive = begin + (0.25 if bus == "6809" else 0.5) * clock + rng.uniform(90.0, 180.0) * scale
        self.write_data(self.is_write, drive, edge + max(self.hold, 30.0))
        rw = (~self.is_write).astype(np.int64)
        self.level("RW", np.concatenate([[0.0], change]), np.concatenate([[1], rw]))
        self.pulses("E" if bus == "6809" else "PHI2", begin + 0.5 * clock, edge, 1)
        if bus == "6809":
            self.pulses("Q", begin + 0.25 * clock, begin + 0.75 * clock, 1)
            self.level("BA", np.zeros(1), 0)
            self.level("BS", np.zeros(1), 0)
        elif bus == "6800":
            vma = (self.c.kind != IDLE).astype(np.int64)
            self.level("VMA", np.concatenate([[0.0], change + 5.0]), np.concatenate([[0], vma]))
        else:
            sync = (self.c.kind == FETCH).astype(np.int64)
            self.level("SYNC", np.concatenate([[0.0], change + 10.0 * scale]), np.concatenate([[0], sync]))
        every = np.ones(len(begin), np.bool_)
        if self.gated():
            self.selects("clock", begin + 0.5 * clock, edge, every)
        else:
            self.selects("", change, change, every)
        lead = max(late + 30.0, 0.15 * clock)
        self.waves.quiet = [(b + lead, b + max(lead, 0.36 * clock)) for b in begin.tolist()]
        return self.finish(False)

    # --- strobed buses ---

    def z80(self) -> Waves:
        """Z80: T states from the rising edge of the clock."""
        rng, clock, b = self.rng, self.clock, self.begin
        s = min(1.0, clock / 400.0)
        kind = self.c.kind
        m1, read, write = kind == FETCH, kind == READ, kind == WRITE
        inp, outp = kind == IN, kind == OUT
        ad, sd = rng.uniform(50.0, 110.0) * s, rng.uniform(50.0, 85.0) * s
        setup = 62.0 + 2.0 * self.sample
        fall = b + 0.5 * clock + sd
        rise = b + np.where(m1, 2.0, 2.5) * clock + sd
        refresh = rise[m1] + max(25.0, self.slack)
        row = (np.cumsum(m1) & 127)[m1] | self._refresh_page() << 8
        self.address += [(np.zeros(1), np.zeros(1, np.int64)), (b + ad, self.c.address), (refresh, row)]
        self.pulses("M1", b[m1] + sd, rise[m1] + 5.0, 0)
        memory = m1 | read | write
        self.pulses("MREQ", np.concatenate([fall[memory], b[m1] + 2.5 * clock + sd]),
                    np.concatenate([rise[memory] + 6.0, b[m1] + 3.5 * clock + sd]), 0)  # fmt: skip
        self.pulses("RFSH", refresh, b[m1] + self.c.states[m1] * clock + sd, 0)
        io_fall, io_rise = b + clock + sd, b + 3.5 * clock + sd
        got = m1 | read
        self.pulses("RD", np.concatenate([fall[got], io_fall[inp]]), np.concatenate([rise[got], io_rise[inp]]), 0)
        self.pulses("WR", np.concatenate([b[write] + 1.5 * clock + sd, io_fall[outp]]),
                    np.concatenate([rise[write], io_rise[outp]]), 0)  # fmt: skip
        self.pulses("IORQ", io_fall[inp | outp], io_rise[inp | outp] + 6.0, 0)
        latest = np.where(m1, 2.0, 2.5) * clock - setup
        valid = np.minimum(0.5 * clock + sd + rng.uniform(80.0, 300.0) * s, latest)
        self.data.append((np.zeros(1), np.full(1, 0xFF if self.pull is None else self.pull, np.int64)))
        self.read_data(got, b + valid, rise + self.hold)
        self.read_data(inp, b + 3.5 * clock - setup - 20.0, io_rise + self.hold)
        drive = b + 0.5 * clock + rng.uniform(90.0, 200.0) * s
        self.write_data(write, drive, b + 3.0 * clock + 20.0)
        self.write_data(outp, drive, b + 4.0 * clock + 20.0)
        if rng.random() < 0.5:
            ticks = np.arange(300.0, self.waves.end, clock)
            self.pulses("CLK", ticks, ticks + 0.5 * clock, 1)
        self.selects("MREQ", fall, rise, memory)
        self.waves.quiet = [(x + 0.12 * clock, x + 0.26 * clock) for x in b.tolist()]
        return self.finish(False)

    def _refresh_page(self) -> int:
        taken = [(r.start >> 8, r.end >> 8) for r in self.board.regions]
        free = [p for p in range(256) if not any(a <= p <= z for a, z in taken)]
        return 0 if 0 in free else self.rng.choice(free)

    def i8085(self) -> Waves:
        """8085: the low address byte on the data lines while ALE is high."""
        rng, clock, b = self.rng, self.clock, self.begin
        s = clock / 320.0
        kind = self.c.kind
        got, put = self.is_read | (kind == IN), self.is_write | (kind == OUT)
        ale_off = b + 20.0 * s + 150.0 * s
        strobe = b + clock + 5.0
        done = strobe + 1.25 * clock
        self.address += [(np.zeros(1), np.zeros(1, np.int64)), (b + 25.0 * s, self.c.address)]
        self.data += [(np.zeros(1), np.zeros(1, np.int64)), (b + 35.0 * s, self.c.address & 255)]
        self.let_go((ale_off + max(100.0 * s, self.slack))[got])
        self.pulses("ALE", b + 20.0 * s, ale_off, 1)
        self.pulses("RD", strobe[got], done[got], 0)
        self.pulses("WR", strobe[put], done[put], 0)
        valid = np.minimum(strobe + rng.uniform(60.0, 230.0) * s, done - 100.0 * s - 1.5 * self.sample)
        self.read_data(got, valid, done + self.hold)
        self.write_data(put, strobe + rng.uniform(-20.0, 35.0) * s, done + max(100.0 * s, self.slack))
        port = ((kind == IN) | (kind == OUT)).astype(np.int64)
        when = np.concatenate([[0.0], b + 25.0 * s])
        self.level("IOM", when, np.concatenate([[0], port]))
        self.level("S1", when, np.concatenate([[1], got.astype(np.int64)]))
        self.level("S0", when, np.concatenate([[1], (put | (kind == FETCH)).astype(np.int64)]))
        self.selects("", b + 25.0 * s, b, port == 0)
        self.waves.quiet = [(x + 2.66 * clock, x + 2.78 * clock) for x in b.tolist()]
        return self.finish(True)

    def i8080(self) -> Waves:
        """8080A without its system controller: the status byte on the data lines while SYNC is high."""
        rng, clock, b = self.rng, self.clock, self.begin
        p = 0.3 * clock
        kind = self.c.kind
        status = np.select([kind == FETCH, kind == READ], [0xA2, 0x82], 0x00)
        go = rng.uniform(90.0, 150.0)
        sync_off = b + clock + p + 60.0
        self.address += [(np.zeros(1), np.zeros(1, np.int64)), (b + p + go, self.c.address)]
        self.data += [(np.zeros(1), np.zeros(1, np.int64)), (b + p + go + 10.0, status.astype(np.int64))]
        leave = sync_off + max(30.0, self.slack + 3.0)
        self.let_go(leave[self.is_read])
        self.pulses("SYNC", b + p + 60.0, sync_off, 1)
        on, off = sync_off + 10.0, b + 2.0 * clock + p + 70.0
        self.pulses("DBIN", on[self.is_read], off[self.is_read], 1)
        self.pulses("WR", b[self.is_write] + 2.0 * clock + 60.0, b[self.is_write] + 3.0 * clock + 60.0, 0)
        latest = b + 2.0 * clock + p - 155.0
        valid = np.minimum(np.maximum(on + rng.uniform(60.0, 200.0), leave + 20.0), latest)
        self.read_data(self.is_read, valid, off + self.hold)
        self.write_data(self.is_write, np.maximum(leave, b + clock + p + 150.0), b + 3.0 * clock + p + 90.0)
        self.selects("", b + p + go, b, np.ones(len(b), np.bool_))
        four = self.c.states >= 4
        self.waves.quiet = [(x + 3.3 * clock, x + 3.6 * clock) for x in b[four].tolist()]
        return self.finish(False)

    def draw(self) -> Waves:
        """The whole run on this board's bus."""
        if self.board.bus == "z80":
            return self.z80()
        if self.board.bus == "8085":
            return self.i8085()
        return self.i8080() if self.board.bus == "8080" else self.clocked()


def before_read(bus: str, cycles: Cycles) -> I64:
    """What the processor itself left on the data lines before the data phase, or -1."""
    if bus == "8085":
        return cycles.address & 255
    if bus == "8080":
        return np.select([cycles.kind == FETCH, cycles.kind == READ], [0xA2, 0x82], 0x00).astype(np.int64)
    return np.full(len(cycles), -1, np.int64)
