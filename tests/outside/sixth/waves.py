"""Each access drawn as edges on the bus, after the data sheets.

Z80 and Z80A: Zilog product specification (tc 400 and 250 ns, address 60-110 ns from the clock, strobes 40-85 ns, write
data 80-150 ns). 6502: MCS6500 data sheet (1 MHz; address 100-225 ns from PHI2 falling, write data 75-150 ns from its
rise, hold 30-60 ns). 6800: MC6800 data sheet (address 150-250 ns, write data 120-200 ns). Memory answers 120-300 ns
after its select; the decoder adds 18-38 ns, a driver 8-25 ns.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

import numpy as np
from numpy.typing import NDArray

from .card import ACK, DMA_READ, DMA_WRITE, FETCH, IDLE, IO_READ, IO_WRITE, READS, WRITES, Card
from .cpus import STATES, Log

Times = NDArray[np.float64]
Levels = NDArray[np.uint32]


@dataclass
class Edges:
    """What changes when, line by line: times in ns."""

    lines: dict[str, tuple[list[Times], list[Levels]]] = field(default_factory=dict)
    quiet: Times = field(default_factory=lambda: np.zeros(0))  # moments away from all strobes
    end: float = 0.0
    starts: Times = field(default_factory=lambda: np.zeros(0))
    period: float = 0.0

    def add(self, line: str, times: Times, levels: Levels | int) -> None:
        """Add changes of a line."""
        held = self.lines.setdefault(line, ([], []))
        held[0].append(times)
        held[1].append(np.broadcast_to(np.asarray(levels, np.uint32), times.shape))

    def pulse(self, line: str, begin: Times, end: Times, active: int) -> None:
        """Add pulses of a line."""
        self.add(line, begin, active)
        self.add(line, end, 1 - active)


def draw_edges(
    log: Log, cpu: str, card: Card, draw: Random, fast: bool, clock: bool, gated: bool, waits: int = 0
) -> Edges:
    """Draw the accesses of a log; `gated`: selects come with MREQ (Z80) rather than with the address."""
    rng = np.random.default_rng(draw.randrange(1 << 30))
    kind = np.array(log.kind)
    address = np.array(log.address, np.uint32)
    data = np.array(log.data, np.uint32)
    out = Edges()
    paint = z80_edges if cpu == "z80" else clocked_edges
    paint(out, rng, kind, address, data, np.array(log.extra), log, card, cpu, fast, clock, gated, waits)
    return out


def selects(out: Edges, log: Log, card: Card, begin: Times, end: Times, memory: NDArray[np.bool_]) -> None:
    """Draw the decoder's outputs and the card's enable as they are at the clips."""
    rams = [n for n, row in enumerate(card.rows) if row.kind == "ram"]
    low: dict[int, list[int]] = {n: [] for n in rams}
    card_on = []
    left = 0xFF
    card.start()
    for i in np.flatnonzero(memory).tolist():
        left = log.data[i - 1] if i else 0xFF
        for row in card.picked(i, log.address[i], left):
            if row in low:
                low[row].append(i)
        if card.where[log.address[i]] in low:
            card_on.append(i)
    for row, accesses in low.items():
        line = card.rows[row].select or ""
        at = np.array(accesses, np.int64)
        out.add(line, np.zeros(1), 1)
        join(out, line, begin, end, at)
    out.add("CARD", np.zeros(1), 1)
    join(out, "CARD", begin, end, np.array(card_on, np.int64))


def join(out: Edges, line: str, begin: Times, end: Times, at: NDArray[np.int64]) -> None:
    """Draw low pulses; where one ends as the next begins they are one."""
    if not len(at):
        return
    b, e = begin[at], end[at]
    apart = b[1:] > e[:-1] + 1
    out.add(line, b[np.concatenate(([True], apart))], 0)
    out.add(line, e[np.concatenate((apart, [True]))], 1)


def z80_edges(
    out: Edges, rng: np.random.Generator, kind: NDArray[np.int64], address: Levels, data: Levels,
    extra: NDArray[np.int64], log: Log, card: Card, cpu: str, fast: bool, clock: bool, gated: bool, waits: int,
) -> None:  # fmt: skip
    """Draw Z80 machine cycles."""
    t = 250.0 if fast else 400.0
    n = len(kind)

    def late(least: float, most: float) -> Times:
        middle = rng.uniform(least + 5, most - 5)
        return np.clip(rng.normal(middle, 3, n), least, most)

    states = np.array([STATES.get(k, 3) for k in range(9)])[kind] + extra
    io = (kind == IO_READ) | (kind == IO_WRITE)
    ack = kind == ACK
    memory = ~io & ~ack
    wait = np.where(memory, waits, 0)
    start = np.concatenate(([0.0], np.cumsum((states + wait) * t)[:-1])) + 3 * t
    out.starts, out.period, out.end = start, t, float(start[-1] + 6 * t)
    fetch = kind == FETCH
    write = np.isin(kind, WRITES)
    out_port = kind == IO_WRITE
    a_time = start + late(60, 110)
    out.add("A", a_time, address)
    half = np.where(io, 1.0, 0.5) * t
    low = start + half + late(40, 85)
    rd_end = start + (np.where(fetch, 2.0, 2.5) + np.where(io, 1, 0) + wait) * t + late(40, 85)
    wr_low = start + np.where(out_port, 1.0, 1.5) * t + late(40, 80)
    wr_end = start + (np.where(out_port, 3.5, 2.5) + wait) * t + late(40, 80)
    m = memory & ~write
    for line in ("MREQ", "RD", "WR", "IORQ", "M1", "RFSH"):
        out.add(line, np.zeros(1), 1)
    out.pulse("MREQ", low[memory], np.where(write, wr_end, rd_end)[memory], 0)
    reads = m | (kind == IO_READ)
    out.pulse("RD", low[reads] + 4, rd_end[reads], 0)
    out.pulse("WR", wr_low[write | out_port], wr_end[write | out_port], 0)
    out.pulse("IORQ", low[io], np.where(out_port, wr_end, rd_end)[io], 0)
    out.pulse("IORQ", start[ack] + 2.5 * t + 60, start[ack] + 4 * t + 60, 0)
    m1 = fetch | ack
    m1_end = np.where(ack, start + 4 * t, start + (2 + wait) * t) + late(50, 100)
    out.pulse("M1", start[m1] + late(50, 100)[m1], m1_end[m1], 0)
    r = start + (2 + wait) * t + np.where(ack, 2 * t, 0)
    counter = np.cumsum(m1).astype(np.uint32) & 0x7F
    out.add("A", (r + late(60, 110))[m1], counter[m1])
    out.pulse("RFSH", (r + late(60, 110))[m1], (r + 2 * t + late(60, 100))[m1], 0)
    out.pulse("MREQ", (r + 0.5 * t + late(40, 85))[m1], (r + 1.5 * t + late(40, 85))[m1], 0)
    answer = rng.uniform(120, min(230, 2 * t - 270))
    valid = low + answer + rng.uniform(0, 12, n)
    data_edges(out, rng, card, data, reads, valid, low + 40, rd_end + rng.uniform(10, 30))
    put = write | out_port
    out.add("D", (start + 0.5 * t + late(80, 150))[put], data[put])
    out.add("D", (start[ack] + 3 * t), data[ack])
    release(out, card, (wr_end + 0.5 * t)[put])
    dma = np.isin(kind, (DMA_READ, DMA_WRITE))
    out.add("BUSAK", np.zeros(1), 1)
    join(out, "BUSAK", start - 0.3 * t, start + (3 + extra + wait) * t - 0.3 * t, np.flatnonzero(dma))
    if clock:
        ticks = np.arange(0, out.end, t)
        out.pulse("CLK", ticks, ticks + t / 2, 1)
    out.quiet = (start + 0.25 * t)[memory]
    close = np.where(write, wr_end, rd_end)
    if gated:
        selects(out, log, card, low + 25, close + 22, memory)
    else:
        after = np.where(fetch, close + 30, np.concatenate((a_time[1:], [out.end])) + 25)
        selects(out, log, card, a_time + 25, after, memory)


def clocked_edges(
    out: Edges, rng: np.random.Generator, kind: NDArray[np.int64], address: Levels, data: Levels,
    extra: NDArray[np.int64], log: Log, card: Card, cpu: str, fast: bool, clock: bool, gated: bool, waits: int,
) -> None:  # fmt: skip
    """Draw 6502 or 6800 cycles: address while PHI2 is low, data at its end."""
    t = rng.choice([980.0, 1000.0, 1023.0]) if not fast else 500.0
    scale = 0.5 if fast else 1.0
    n = len(kind)

    def late(least: float, most: float) -> Times:
        middle = rng.uniform(least + 4, most - 4) * scale
        return np.clip(rng.normal(middle, 3, n), least * scale, most * scale)

    lengths = t * (1 + waits * (rng.random(n) < 0.3)) if waits else np.full(n, t)
    start = np.concatenate(([0.0], np.cumsum(lengths)[:-1])) + t
    end = start + lengths
    out.starts, out.period, out.end = start, t, float(end[-1] + t)
    rise = start + 0.5 * t + rng.normal(0, 2, n)
    out.add("PHI2", np.zeros(1), 0)
    out.pulse("PHI2", rise, end, 1)
    a_time = start + (late(100, 225) if cpu == "6502" else late(150, 250))
    out.add("A", a_time, address)
    write = np.isin(kind, WRITES)
    out.add("RW", np.zeros(1), 1)
    out.add("RW", a_time + 6, (~write).astype(np.uint32))
    if cpu == "6502":
        out.add("SYNC", a_time + 9, (kind == FETCH).astype(np.uint32))
    else:
        out.add("VMA", a_time + 7, (kind != IDLE).astype(np.uint32))
    reads = np.isin(kind, READS)
    answer = rng.uniform(150, 400) * scale
    gate = rise if gated else a_time
    valid = np.minimum(gate + answer, end - 0.13 * t) + rng.uniform(0, 10, n)
    data_edges(out, rng, card, data, reads, valid, gate + 60 * scale, end + rng.uniform(15, 40, n))
    out.add("D", (rise + late(120, 190))[write], data[write])
    release(out, card, (end + rng.uniform(30, 60, n))[write])
    out.quiet = (start + 0.4 * t)[:-1]
    memory = kind != IDLE
    selects(out, log, card, a_time + 28, np.concatenate((a_time[1:], [out.end])) + 28, memory)


def data_edges(
    out: Edges, rng: np.random.Generator, card: Card, data: Levels, reads: NDArray[np.bool_], valid: Times,
    open_: Times, close: Times,
) -> None:  # fmt: skip
    """Draw read data: something else for a moment as the outputs come on, then what is read."""
    some = reads & (rng.random(len(reads)) < 0.25) & (open_ < valid - 25)
    out.add("D", open_[some], rng.integers(0, 256, int(some.sum())).astype(np.uint32))
    out.add("D", valid[reads], data[reads])
    release(out, card, close[reads])


def release(out: Edges, card: Card, times: Times) -> None:
    """Draw the bus after it was let go: pull-ups lift it, else it keeps its level."""
    if card.pull:
        out.add("D", times + 60, 0xFF)
