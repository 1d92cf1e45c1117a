"""Virtual cards with ordinary programs on them: pins of 8-bit buses, with what else is clipped on a real bench.

A card has a processor, ROM, RAM and I/O somewhere, a clock rate, and an analyser of some sample rate with skew
between its channels. Not every line is clipped; selects, interrupt lines, a serial line, an oscillator and lines that
never move are clipped as well. Pins follow the data sheets' diagrams named in ``tests.external.test_bus_emulators``
and ``tests.external.test_bus_clocked``.
"""

from __future__ import annotations

import itertools
import random
from dataclasses import dataclass

import numpy as np

from busledger.decoder.capture import Capture
from tests.external.waveform import Wave
from tests.wiring.model import Family, Machine
from tests.wiring.programs import Map, draw_map, run_6502, run_z80

__all__ = ["FAMILIES", "Card", "Log", "draw_card", "finish"]


class Log:
    """Accesses as columns: ``kind`` (str), ``address``, ``data``."""

    def __init__(self, rows):
        self.kind = np.array([row[0] for row in rows])
        self.address = np.array([row[1] for row in rows], np.int64)
        self.data = np.array([row[2] for row in rows], np.int64)
        self.writes = np.char.endswith(self.kind, "write")
        self.io = np.char.startswith(self.kind, "io-")
        self.fetch = self.kind == "opcode-fetch"

    def __len__(self):
        return len(self.kind)


@dataclass(frozen=True)
class Card:
    """``names`` of the channels in a random order and their ``capture``; ``grid`` of the analyser in ns (= ticks).

    ``alike``: groups of address lines and selects that had the same level in every cycle: nobody can tell them apart,
    and exchanging them changes no cycle.
    """

    profile: str
    names: list[str]
    capture: Capture
    grid: float
    alike: list[frozenset[str]]


def alike(log, card):
    """Groups of lines that an access never tells apart."""
    columns = {f"A{k}": log.address >> k & 1 for k in range(16)}
    for name, (first, last) in card.selects().items():
        columns[name] = 1 - ((log.address >= first) & (log.address <= last) & ~log.io)
    groups = {}
    for name, column in columns.items():
        groups.setdefault(column.astype(np.int8).tobytes(), set()).add(name)
    return [frozenset(group) for group in groups.values() if len(group) > 1]


def clocked(log, dice, clock, sync=None, valid=None):
    """Address and R/W after the clock falls, data around its next fall; (wave, shortest phase in ns, starts)."""
    period = dice.choice([500, 1000, 1000, 1117, 2000])
    wave = Wave().idle(RW=1, **{clock: 0})
    start = 700 + period * np.arange(len(log))
    late = start + period * 0.14
    wave.series(start + period / 2, clock, 1).series(start + period, clock, 0)
    wave.series(late, "A0-A15", log.address).series(late - 10, "RW", ~log.writes)
    wave.series(start + period * np.where(log.writes, 0.64, 0.78), "D0-D7", log.data)
    wave.series(start + period * 1.06, "D0-D7", 0xFF)
    if sync:
        wave.series(late, sync, log.fetch)
    if valid:
        wave.series(late, valid, log.kind != "idle")
    return wave, period / 2, late


def quadrature(log, dice):
    """The 6809: Q leads E by a quarter of a cycle (MC6809 data sheet, figure "E/Q relationship")."""
    wave, phase, late = clocked(log, dice, "E")
    start = np.array(sorted(t for t, level in wave.changes["E"].items() if level)) - phase
    return wave.pulses("Q", start + phase / 2, start + 1.5 * phase, level=1), phase, late


def z80_pins(log, dice):
    """Z80 CPU User Manual, figures "Instruction Op Code Fetch", "Memory Read or Write", "Input or Output Cycles"."""
    tc = dice.choice([250, 400, 400, 500])
    clocks = np.where(log.fetch | log.io, 4, 3) + (dice.random() < 0.3) * log.fetch
    wave = Wave().idle(MREQ=1, IORQ=1, RD=1, WR=1, M1=1, RFSH=1)
    now = 400 + tc * np.concatenate([[0], np.cumsum(clocks)[:-1]])
    wave.series(now + 60, "A0-A15", log.address)
    f, m, i = now[log.fetch], now[~log.fetch & ~log.io], now[log.io]
    wave.pulses("M1", f + 50, f + 2 * tc + 55).pulses("RFSH", f + 2 * tc + 60, f + 4 * tc + 40)
    wave.pulses("MREQ", f + tc / 2 + 40, f + 2 * tc + 45).pulses("MREQ", f + 2.5 * tc + 40, f + 3.5 * tc + 40)
    wave.pulses("RD", f + tc / 2 + 45, f + 2 * tc + 50).series(f + 2 * tc - 100, "D0-D7", log.data[log.fetch])
    wave.series(f + 2 * tc + 70, "A0-A15", np.arange(len(f)) & 0x7F)
    wave.pulses("MREQ", m + tc / 2 + 40, m + 2.5 * tc + 45)
    w = log.writes[~log.fetch & ~log.io]
    wave.pulses("RD", m[~w] + tc / 2 + 45, m[~w] + 2.5 * tc + 50)
    wave.pulses("WR", m[w] + 1.5 * tc + 40, m[w] + 2.5 * tc + 40)
    wave.series(m + np.where(w, tc / 2 + 70, 2.5 * tc - 100), "D0-D7", log.data[~log.fetch & ~log.io])
    w = log.writes[log.io]
    wave.pulses("IORQ", i + tc + 35, i + 3.5 * tc + 40)
    wave.pulses("RD", i[~w] + tc + 40, i[~w] + 3.5 * tc + 45).pulses("WR", i[w] + tc + 40, i[w] + 3.5 * tc + 45)
    wave.series(i + np.where(w, tc / 2 + 80, 3.5 * tc - 100), "D0-D7", log.data[log.io])
    ticks = np.arange(400, now[-1] + 4 * tc, tc)
    wave.pulses("CLK", ticks, ticks + tc / 2, level=1)
    return wave, tc / 2, now + 60


def commands(log, dice):
    """8228 System Controller page, 8080 User's Manual: one command line for each kind of cycle."""
    clock = dice.choice([320, 480, 500])
    wave = Wave().idle(MEMR=1, MEMW=1, IOR=1, IOW=1, M1=0)
    start = 400 + 4 * clock * np.arange(len(log))
    port = log.io * 0x100 * (log.address & 0xFF)
    wave.series(start + 100, "A0-A15", np.where(log.io, log.address & 0xFF, log.address) | port)
    wave.series(start + 100, "M1", log.fetch)
    for line, these in (
        ("MEMR", ~log.writes & ~log.io),
        ("MEMW", log.writes & ~log.io),
        ("IOR", ~log.writes & log.io),
        ("IOW", log.writes & log.io),
    ):
        at, writes = start[these], line.endswith("W")
        wave.pulses(line, at + clock * (2 if writes else 1) + 60, at + 3 * clock + 40)
        wave.series(at + clock * (1.2 if writes else 2.3), "D0-D7", log.data[these])
        wave.series(at + 3.5 * clock, "D0-D7", 0xFF)
    return wave, clock, start + 100


def _model(family, ports, rom_on_top):
    def run(seed, accesses):
        dice = random.Random(seed)
        card = draw_map(dice, rom_on_top, ports, ram_at_zero=True)
        machine = Machine(seed, family, (card.rom, card.rom_size), (card.ram, card.ram_size), card.io)
        skip = dice.choice([0, 10_000, 30_000])
        return card, [row[:3] for row in machine.run(skip + accesses)[skip : skip + accesses]]

    return run


def with_dead_cycles(run):
    """6800: VMA is low in a cycle of some instructions, while the address of the next access is already out (M6800
    data sheet, table "Operation Summary", from memory)."""

    def more(seed, accesses):
        card, rows = run(seed, accesses)
        out = []
        for row, after in itertools.pairwise(rows):
            out.append(row)
            if row[0] == "opcode-fetch" and row[2] % 5 == 0:
                out.append(("idle", after[1], 0xFF))
        return card, out[:accesses]

    return more


FAMILIES = {
    "6502": (run_6502, lambda log, dice: clocked(log, dice, "PHI2", sync="SYNC")),
    "z80": (run_z80, z80_pins),
    "8080-8228": (lambda seed, n: run_z80(seed, n, is_z80=False), commands),
    "6800": (
        with_dead_cycles(_model(Family(zero_page=True), False, True)),
        lambda log, dice: clocked(log, dice, "PHI2", valid="VMA"),
    ),
    "6809": (_model(Family(zero_page=True), False, True), quadrature),
}
_OPTIONAL = {"SYNC", "VMA", "Q", "CLK", "M1", "RFSH", "IORQ", "IOR", "IOW"}


def _benchful(wave, dice, log, card: Map, at):
    """Selects, and channels that have nothing to do with the bus."""
    end = float(at[-1])
    for name, (first, last) in card.selects().items():
        if dice.random() < 0.7:
            hit = (log.address >= first) & (log.address <= last) & ~log.io
            wave.idle(**{name: 1}).series(at + dice.randrange(15, 40), name, ~hit)
    for name, chance in (("NMI", 0.3), ("RESET", 0.3), ("GND", 0.2)):
        if dice.random() < chance:
            wave.idle(**{name: int(name != "GND")})
    if dice.random() < 0.4:
        times = np.sort(np.random.default_rng(dice.randrange(1 << 30)).uniform(0, end, 2 * dice.randrange(1, 40)))
        wave.idle(IRQ=1).series(times, "IRQ", np.arange(len(times)) & 1)
    if dice.random() < 0.4:
        bits = np.arange(1000, end, 104_166)
        wave.idle(TXD=1).series(bits, "TXD", np.random.default_rng(dice.randrange(1 << 30)).integers(0, 2, len(bits)))
    if dice.random() < 0.2:
        half = 1e9 / 1_843_200 / 2
        edges = np.arange(300, end, half)
        wave.idle(OSC=0).series(edges, "OSC", np.arange(len(edges)) & 1)


def finish(profile, wave, dice, phase, same=(), keep_all=False):
    """Some lines left unclipped, channels shuffled, an analyser that takes six samples of the shortest phase."""
    names = list(wave.lines)
    for name in sorted(_OPTIONAL & set(names)):
        if not keep_all and dice.random() < 0.25:
            names.remove(name)
    if not keep_all and dice.random() < 0.3:
        clipped = [f"A{k}" for k in range(dice.choice([8, 10, 12, 14]), 16)]
        for name in dice.sample(clipped, dice.randrange(1, len(clipped) + 1)):
            names.remove(name)
    dice.shuffle(names)
    grid = dice.choice([g for g in (10.0, 20.0, 1000 / 24, 1000 / 16, 100.0, 125.0) if g <= phase / 6 or g == 10.0])
    return Card(
        profile, names, Capture(*wave.columns(names, grid, dice.randrange(1 << 30)), 1_000_000), grid, list(same)
    )


def draw_card(seed, accesses=20_000):
    """The card of this seed: family, program, map, rates and clips all follow from it."""
    dice = random.Random(seed)
    profile = dice.choice(sorted(FAMILIES))
    run, pins = FAMILIES[profile]
    card, rows = run(seed, accesses)
    log = Log(rows)
    wave, phase, at = pins(log, dice)
    _benchful(wave, dice, log, card, at)
    return finish(profile, wave, dice, phase, alike(log, card))
