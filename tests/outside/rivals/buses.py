"""From cycles to levels on the lines, in nanoseconds, within the data sheets' limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .cycles import FETCH, GRANT, IDLE, IO_READ, IO_WRITE, READ, SILENCE, WRITE, Cycles
from .wave import Line, tidy

LEAD_IN = 400.0
FAMILY = {"6800": "6800", "6802": "6800", "6809": "6800", "6502": "6502", "z80": "z80"}


@dataclass(frozen=True)
class Timing:
    """One machine's clock and delays (ns); all within the limits of its grade."""

    bus: str
    """The profile's name."""
    period: float
    address: float
    """Address, status after the start of the cycle (or of T1)."""
    hold: float
    """Address and write data after the end of the cycle."""
    ready: float
    """Read data before the sampling edge."""
    read_hold: float
    write_data: float
    """Write data after the rise of the clock (or the fall of T1)."""
    strobe_on: float = 60.0
    strobe_off: float = 40.0
    garbage: float = 0.2
    """Share of reads with false levels on the bus while the memory is still looking."""
    keeps: bool = True

    @property
    def family(self) -> str:
        """Which kind of cycle: 6800, 6502 or z80."""
        return FAMILY[self.bus]

    @property
    def grade(self) -> str:
        """The speed grade, under the profile's name for it."""
        if self.bus == "z80":
            return "Z80" if self.period >= 400 else "Z80A"
        place = 0 if self.period >= 1000 else 1 if self.period > 600 else 2
        if self.bus == "6502":
            return "W65C02S 14 MHz" if self.period < 500 else ("1 MHz", "2 MHz", "2 MHz")[place]
        tail = self.bus[2:]
        return (f"{self.bus} 1 MHz", f"68A{tail} 1.5 MHz", f"68B{tail} 2 MHz")[place]

    @property
    def slack(self) -> float:
        """How much earlier than the strobe a channel may be without losing the truth."""
        return max(0.0, min(self.hold, self.read_hold, 30.0) - 9.0)

    @property
    def strobe(self) -> float:
        """The narrowest strobe or clock phase."""
        return self.period - 35.0 if self.family == "z80" else self.period / 2


@dataclass
class Waves:
    """Everything on the board: lines by trade name, marks of the sampling edges."""

    lines: dict[str, Line]
    end: float
    edge: np.ndarray
    """When each cycle's data are taken (ns)."""
    lead: np.ndarray
    """When each cycle's strobe begins (ns)."""


def draw_timing(bus: str, period: float, rng: np.random.Generator, sample_ns: float) -> Timing:
    """Delays for one machine."""
    part = float(rng.uniform(0.45, 0.9))
    family = FAMILY[bus]
    keeps = bool(rng.random() < 0.6)
    if family == "z80":
        most = 140.0 if period >= 400 else 105.0
        on, off = float(rng.uniform(50, 85)), float(rng.uniform(32, 46))
        address = max(off + 32.0, most * part)
        write = float(rng.uniform(60, 145 if period < 400 else 200))
        narrow = 1.5 * period - 110 + off
        ready = float(rng.uniform(max(70.0, 2.6 * sample_ns), max(narrow - 60.0, 2.6 * sample_ns + 5)))
        return Timing(
            bus, period, address, float(rng.uniform(25, 50)), min(ready, narrow - 40), float(rng.uniform(14, 50)),
            write, on, off, float(rng.choice([0.0, 0.1, 0.4])), keeps,
        )  # fmt: skip
    if period < 500:  # a CMOS part at 4 MHz
        return Timing(
            bus, period, float(rng.uniform(18, 28)), float(rng.uniform(14, 17)), float(rng.uniform(60, 90)), 14.0,
            float(rng.uniform(12, 23)), keeps=keeps,
        )  # fmt: skip
    limits = {"6800": (265, 178, 148), "6802": (265, 178, 148), "6809": (190, 105, 95), "6502": (290, 190, 145)}[bus]
    fast = 0 if period >= 1000 else 1 if period > 600 else 2
    delays = {"6800": (215, 190, 155), "6802": (215, 165, 155), "6809": (190, 130, 105), "6502": (195, 130, 98)}
    data = delays[bus][fast]
    address = float(limits[fast] * part)
    spare = period - address - 60.0
    ready = float(
        rng.uniform(max(105.0 if fast == 0 else 65.0, 2.6 * sample_ns), max(spare * 0.6, 2.6 * sample_ns + 20))
    )
    return Timing(
        bus, period, address, float(rng.uniform(32, 60)), min(ready, spare - 20), float(rng.uniform(14, 50)),
        data * float(rng.uniform(0.55, 0.95)), garbage=float(rng.choice([0.0, 0.1, 0.4])), keeps=keeps,
    )  # fmt: skip


class _Bus:
    """Collects the changes of an address or data bus, all lines with their own small delays."""

    def __init__(self, width: int, rng: np.random.Generator, spread: float) -> None:
        self.width = width
        self.rng = rng
        self.own = rng.uniform(0, spread, width)
        self.times: list[np.ndarray] = []
        self.values: list[np.ndarray] = []

    def put(self, t: np.ndarray, value: np.ndarray) -> None:
        self.times.append(np.asarray(t, float))
        self.values.append(np.asarray(value, np.int64))

    def lines(self, prefix: str, first: int) -> dict[str, Line]:
        t = np.concatenate(self.times)
        v = np.concatenate(self.values)
        order = np.argsort(t, kind="stable")
        t, v = t[order], v[order]
        out = {}
        for bit in range(self.width):
            jitter = self.rng.uniform(0, 3.0, len(t))
            out[f"{prefix}{bit}"] = tidy(first >> bit & 1, t + self.own[bit] + jitter, v >> bit & 1)
        return out


def _data_bus(
    timing: Timing,
    rng: np.random.Generator,
    c: dict[str, np.ndarray],
    valid: np.ndarray,
    end: np.ndarray,
    look: np.ndarray,
) -> dict[str, Line]:
    """D0-D7 and the card's side of the buffer, MD0-MD7.

    `valid`: when each cycle's data are on the bus; `end`: when its driver begins to let go;
    `look`: when a memory may begin to show false levels.
    """
    bus, far = _Bus(8, rng, 5.0), _Bus(8, rng, 4.0)
    moves = np.isin(c["op"], (FETCH, READ, WRITE, IO_READ, IO_WRITE))
    data, driven = c["data"], c["driven"]
    bus.put(valid[moves], data[moves])
    wild = moves & np.isin(c["op"], (FETCH, READ)) & (driven > 0) & (rng.random(len(data)) < timing.garbage)
    wild &= valid - look > 25
    noise = (data ^ rng.integers(0, 256, len(data)) & rng.integers(0, 256, len(data)) & driven)[wild]
    bus.put((look + (valid - look) * rng.uniform(0.0, 0.7, len(data)))[wild], noise)
    if not timing.keeps:
        pull = end + timing.read_hold + rng.uniform(0.03, 0.08, len(data)) * timing.period
        follow = np.append(look[1:], np.inf)
        pull = np.minimum(pull, follow - 1.0)
        bus.put(pull[moves], np.full(int(moves.sum()), 0xFF))
    write = c["op"] == WRITE
    card = moves & c["card"]
    far.put(np.where(write, valid + 12, valid - 12)[card], data[card])
    return {**bus.lines("D", 0xFF), **far.lines("MD", 0xFF)}


def clocked(timing: Timing, cycles: Cycles, rng: np.random.Generator) -> Waves:
    """6800 and 6502: one period of the clock per cycle, data taken where PHI2 falls."""
    c = cycles.arrays()
    count = len(c["op"])
    start = LEAD_IN + np.arange(count) * timing.period + rng.normal(0, 0.7, count).clip(-2, 2)
    end = np.append(start[1:], start[-1] + timing.period)
    rise = start + timing.period * 0.5 - 4 + rng.uniform(0, 3, count)
    settle = start + max(timing.address, timing.hold + 2.0)
    bus = _Bus(16, rng, min(12.0, timing.address * 0.1))
    bus.put(settle, c["address"])
    lines = bus.lines("A", 0xFFFF)
    clock_t = np.concatenate((rise, end, start[:1]))
    clock_v = np.concatenate((np.ones(count), np.zeros(count + 1)))
    lines["PHI2" if timing.bus in ("6800", "6502") else "E"] = tidy(1, clock_t, clock_v)
    if timing.bus == "6809":  # a quarter ahead of E
        quarter = timing.period / 4
        up, down = rise - quarter, rise + quarter
        lines["Q"] = tidy(0, np.concatenate((up, down)), np.concatenate((np.ones(count), np.zeros(count))))
    write = c["op"] == WRITE
    lines["RW"] = tidy(1, settle + 1.0, ~write)
    if timing.family == "6800":
        if timing.bus == "6809":
            lines["BS"] = tidy(0, settle + 2.0, c["op"] == GRANT)
        else:
            lines["VMA"] = tidy(1, settle + 2.0, ~np.isin(c["op"], (IDLE, GRANT)))
        lines["BA"] = tidy(0, settle + 3.0, c["op"] == GRANT)
    else:
        lines["SYNC"] = tidy(0, settle + 2.0, c["op"] == FETCH)
    driver = rise - timing.period / 4 if timing.bus == "6809" else rise
    valid = np.where(write, driver + timing.write_data - 6, end - timing.ready - rng.uniform(0, 8, count))
    look = np.where(write, valid, np.minimum(settle + 30.0, valid))
    lines.update(_data_bus(timing, rng, c, valid, end + np.where(write, 22.0, 0.0), look))
    return Waves(lines, float(end[-1]) + 300.0, end, rise)


def _pulses(falls: np.ndarray, rises: np.ndarray) -> Line:
    """An active-low line from the moments at which it goes low and comes back."""
    levels = np.concatenate((np.zeros(len(falls)), np.ones(len(rises))))
    return tidy(1, np.concatenate((falls, rises)), levels)


def strobed(timing: Timing, cycles: Cycles, rng: np.random.Generator) -> Waves:
    """Z80: T states of one clock period; reads and writes end where RD or WR rises."""
    c = cycles.arrays()
    op, tc = c["op"], timing.period
    states = np.select(
        [op == FETCH, np.isin(op, (READ, WRITE)), np.isin(op, (IO_READ, IO_WRITE))], [4, 3, 4], 0
    ) + c["ticks"]  # fmt: skip
    start = LEAD_IN + np.concatenate((np.zeros(1), np.cumsum(states)[:-1])) * tc
    finish = start + states * tc
    count = len(op)
    m1, mem = op == FETCH, np.isin(op, (FETCH, READ, WRITE))
    write, io = op == WRITE, np.isin(op, (IO_READ, IO_WRITE))
    on = timing.strobe_on + rng.uniform(0, 4, count)
    off = timing.strobe_off + rng.uniform(0, 4, count)
    lead = np.where(io, start + tc, np.where(write, start + 1.5 * tc, start + 0.5 * tc)) + on
    edge = np.where(m1, start + 2 * tc, np.where(io, start + 3.5 * tc, start + 2.5 * tc)) + off
    moves = mem | io
    bus = _Bus(16, rng, 8.0)
    bus.put((start + timing.address)[moves], c["address"][moves])
    row = np.cumsum(m1) % 128 + int(rng.integers(0, 256)) * 256
    bus.put((start + 2 * tc + max(timing.address, timing.strobe_off + 30))[m1], row[m1])
    lines = bus.lines("A", 0xFFFF)
    mreq_on = start + 0.5 * tc + on - 4
    again = start[m1] + 2.5 * tc + timing.strobe_on
    lines["MREQ"] = _pulses(
        np.concatenate((mreq_on[mem], again)), np.concatenate((edge[mem] + 1, start[m1] + 3.5 * tc + timing.strobe_off))
    )
    reads = np.isin(op, (FETCH, READ, IO_READ))
    lines["RD"] = _pulses(lead[reads], edge[reads])
    writes = np.isin(op, (WRITE, IO_WRITE))
    lines["WR"] = _pulses(lead[writes], edge[writes])
    lines["IORQ"] = _pulses(lead[io] - 3, edge[io] + 2)
    lines["M1"] = _pulses((start + timing.address - 3)[m1], (start + 2 * tc + timing.address)[m1])
    lines["RFSH"] = _pulses((start + 2 * tc + timing.address + 8)[m1], (finish + timing.address - 8)[m1])
    grant = op == GRANT
    lines["BUSAK"] = _pulses((start + 60.0)[grant], (finish - 60.0)[grant])
    begin = start + 0.5 * tc + timing.write_data
    # data are on the bus a published time before WR falls; a slow bus driver is held to that
    begin = np.where(write, np.minimum(begin, lead - (200 if tc >= 400 else 90)), begin)
    valid = np.where(writes, begin, edge - timing.ready - rng.uniform(0, 8, count))
    valid = np.where(io & reads, edge - timing.ready, valid)
    end = np.where(writes, finish + timing.hold, edge)
    look = np.where(writes, valid, np.minimum(lead + 25.0, valid))
    lines.update(_data_bus(timing, rng, c, valid, end, look))
    if rng.random() < 0.25:
        ticks = np.arange(0.0, float(finish[-1] - LEAD_IN), tc) + LEAD_IN
        levels = np.concatenate((np.ones(len(ticks)), np.zeros(len(ticks))))
        lines["CLK"] = tidy(0, np.concatenate((ticks, ticks + tc / 2)), levels)
    edge = np.where(np.isin(op, (GRANT, SILENCE)), start, edge)
    lead = np.where(np.isin(op, (GRANT, SILENCE)), start, lead)
    return Waves(lines, float(finish[-1]) + 300.0, edge, lead)


def waves(timing: Timing, cycles: Cycles, rng: np.random.Generator) -> Waves:
    """The lines of a run."""
    return strobed(timing, cycles, rng) if timing.family == "z80" else clocked(timing, cycles, rng)
