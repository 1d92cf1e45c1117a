"""Pins of buses that share lines or are 16 bits wide, with ordinary traffic of a model machine on them.

Each follows the diagram that ``tests.external.test_bus_intel`` or ``test_bus_others`` names for the family.
"""

from __future__ import annotations

import random

import numpy as np

from tests.external.waveform import Wave
from tests.wiring.cards import Log, clocked, finish
from tests.wiring.model import Family, Machine

__all__ = ["SHARED", "draw_shared"]


class _Words(Log):
    """Accesses of one or two bytes: ``size``, and ``data`` on the lanes of a bus, even bytes high where ``big``."""

    def __init__(self, rows, big=False):
        super().__init__(rows)
        self.size = np.array([row[3] for row in rows])
        odd = self.address & 1
        up = (self.size == 1) & ((odd == 0) if big else (odd == 1))
        self.data = np.where(up, self.data << 8, self.data)


def intel(log, dice, ad, high, program="RD", clock=200):
    """Address on ``ad`` while ALE is high, then the strobe with data (figures "Basic System Timing" and relatives)."""
    width = int(ad.split("-AD")[1]) + 1
    wave = Wave().idle(ALE=0, RD=1, WR=1)
    start = 400 + 4 * clock * np.arange(len(log))
    wave.pulses("ALE", start + 20, start + 0.8 * clock, level=1)
    wave.series(start + 40, ad, log.address).series(start + 30, high, log.address >> width)
    wave.series(start + 1.2 * clock, ad, (1 << width) - 1)
    program_read = (log.fetch | (log.kind == "operand")) if program != "RD" else np.zeros(len(log), bool)
    for line, these in (
        (program, program_read),
        ("RD", ~log.writes & ~program_read),
        ("WR", log.writes),
    ):
        at = start[these]
        wave.pulses(line, at + 1.5 * clock, at + 3.3 * clock)
        late = 1.6 if line == "WR" else 2.4
        wave.series(at + late * clock, ad, log.data[these]).series(at + 3.7 * clock, ad, (1 << width) - 1)
    return wave, clock


def i8085(log, dice):
    """IO/M, S0 and S1 say what kind of cycle it is (MCS-85 User's Manual, machine-cycle chart)."""
    log.address = np.where(log.io, (log.address & 0xFF) * 0x101, log.address)
    wave, phase = intel(log, dice, "AD0-AD7", "A8-A15", clock=320)
    start = 400 + 4 * 320 * np.arange(len(log))
    wave.series(start + 10, "IOM", log.io).series(start + 10, "S1", ~log.writes).series(
        start + 10, "S0", log.fetch | log.writes
    )
    return wave, phase


def i8086(log, dice):
    """BHE is low where the high byte takes part; M/IO."""
    wave, phase = intel(log, dice, "AD0-AD15", "A16-A19")
    start = 400 + 800 * np.arange(len(log))
    high = (log.size == 2) | (log.address & 1 == 1)
    wave.series(start + 30, "BHE", ~high).series(start + 10, "MIO", ~log.io)
    return wave, phase


def m6801(log, dice):
    """MC6801 data sheet: address on port 3 while AS is high in the first half of the cycle."""
    wave, phase, late = clocked(log, dice, "E")
    for k in range(8):
        del wave.changes[f"A{k}"], wave.changes[f"D{k}"]
    start = late - 0.28 * phase
    wave.pulses("AS", start + 0.2 * phase, start + 0.7 * phase, level=1)
    wave.series(start + 0.3 * phase, "AD0-AD7", log.address).series(start + 0.95 * phase, "AD0-AD7", 0xFF)
    wave.series(start + phase * np.where(log.writes, 1.28, 1.5), "AD0-AD7", log.data)
    wave.series(start + 2.08 * phase, "AD0-AD7", 0xFF)
    return wave, phase / 2


def w65c816(log, dice):
    """W65C816S data sheet: the bank is on D0-D7 while PHI2 is low; VPA and VDA."""
    wave, phase, late = clocked(log, dice, "PHI2")
    wave.series(late, "D0-D7", log.address >> 16)
    wave.series(late + 0.9 * phase, "D0-D7", 0xFF)
    wave.series(late, "VPA", log.fetch | (log.kind == "operand")).series(late, "VDA", log.kind != "operand")
    return wave, phase / 2


def m68000(log, dice):
    """M68000 User's Manual p. 5-4 (read) and p. 4-5 (write); a byte that is written is on both halves."""
    wave = Wave().idle(AS=1, UDS=1, LDS=1, RW=1, DTACK=1).put(0, "FC0-FC2", 6)
    start = 400 + 600 * np.arange(len(log))
    even, whole = log.address & 1 == 0, log.size == 2
    program = log.fetch | (log.kind == "operand")
    byte = np.where(even, log.data >> 8, log.data) & 0xFF
    data = np.where(log.writes & ~whole, byte * 0x101, log.data)
    wave.series(start, "FC0-FC2", np.where(program, 6, 5)).series(start + 62, "A1-A23", log.address >> 1)
    wave.pulses("AS", start + 125, start + 500).pulses("DTACK", start + 300, start + 540)
    wave.series(start + 125, "RW", ~log.writes).series(start + 560, "RW", 1)
    for line, these in (("UDS", whole | even), ("LDS", whole | ~even)):
        at = start[these]
        wave.pulses(line, at + np.where(log.writes[these], 250, 127), at + 500)
    wave.series(start + np.where(log.writes, 187, 400), "D0-D15", data).series(start + 560, "D0-D15", 0xFFFF)
    return wave, 125


def t9900(log, dice):
    """TMS9900 Data Manual, figure "Memory Interface Timing"; A0 and D0 are the most significant bits."""
    wave = Wave().idle(MEMEN=1, DBIN=0, WE=1, IAQ=0)
    start = 400 + 1000 * np.arange(len(log))
    wave.series(start, "A14-A0", log.address >> 1).series(start, "IAQ", log.fetch)
    wave.pulses("MEMEN", start + 50, start + 716)
    r, w = start[~log.writes], start[log.writes]
    wave.pulses("DBIN", r + 40, r + 730, level=1).pulses("WE", w + 300, w + 620)
    wave.series(start + np.where(log.writes, 100, 500), "D15-D0", log.data).series(start + 760, "D15-D0", 0xFFFF)
    return wave, 200


def z8000(log, dice):
    """Z8000 CPU Technical Manual, figure "Memory Read and Write"."""
    wave = Wave().idle(AS=1, DS=1, RW=1, BW=0)
    start = 400 + 800 * np.arange(len(log))
    wave.series(start, "RW", ~log.writes).series(start, "BW", log.size == 1).series(start + 20, "AD0-AD15", log.address)
    wave.pulses("AS", start + 40, start + 150).series(start + 230, "AD0-AD15", 0xFFFF)
    wave.pulses("DS", start + 300, start + 700)
    wave.series(start + np.where(log.writes, 260, 560), "AD0-AD15", log.data).series(start + 760, "AD0-AD15", 0xFFFF)
    return wave, 100


_EIGHT = {"rom": (0, 0x2000), "ram": (0x4000, 0x800)}
SHARED = {
    "8085": (Family(big=False), _EIGHT, Log, i8085),
    "8088-min": (
        Family(big=False, pointer=2),
        _EIGHT,
        Log,
        lambda log, dice: intel(log, dice, "AD0-AD7", "A8-A19"),
    ),
    "8051": (
        Family(split=True),
        {"rom": (0, 0x4000), "ram": (0x4000, 0x1000), "io": 0x8000},
        Log,
        lambda log, dice: intel(log, dice, "AD0-AD7", "A8-A15", program="PSEN"),
    ),
    "6801": (Family(zero_page=True), {"rom": (0xE000, 0x2000), "ram": (0, 0x1000), "io": 0x6000}, Log, m6801),
    "65c816": (
        Family(big=False, pointer=3),
        {"rom": (0x8000, 0x4000), "ram": (0, 0x2000), "io": 0x5000},
        Log,
        w65c816,
    ),
    "68000": (
        Family(word=2, pointer=4, bytes_too=True),
        {"rom": (0, 0x8000), "ram": (0x84000, 0x4000), "io": 0xC00000},
        lambda rows: _Words(rows, big=True),
        m68000,
    ),
    "8086-min": (Family(word=2, big=False, odd=True), {"rom": (0x8000, 0x6000), "ram": (0, 0x4000)}, _Words, i8086),
    "tms9900": (Family(word=2), {"rom": (0, 0x2000), "ram": (0x8000, 0x1000), "io": 0xC000}, _Words, t9900),
    "z8000": (
        Family(word=2, bytes_too=True),
        {"rom": (0, 0x6000), "ram": (0x8000, 0x4000), "io": 0xE000},
        lambda rows: _Words(rows, big=True),
        z8000,
    ),
}


def draw_shared(profile, seed, accesses=20_000):
    """A card with this bus and a program that the seed draws, its channels shuffled."""
    family, places, columns, pins = SHARED[profile]
    dice = random.Random(seed)
    log = columns(Machine(seed, family, **places).run(accesses)[:accesses])
    wave, phase = pins(log, dice)
    return finish(profile, wave, dice, phase, keep_all=True)
