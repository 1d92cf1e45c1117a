"""The processors' pins over time, one function a family.

Typical delays for parts of the speed used, from memory of the data sheets that ``buses`` names. A family's function
puts clock, strobes, status and address lines, and says when data are driven and released and when selects turn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.play import Run
from busledger.captures_demo.world.waves import Waves

__all__ = ["CPU_PINS", "Delays", "Moments", "line_lags"]


@dataclass(frozen=True, slots=True)
class Delays:
    """Nanoseconds. ``spread`` is how much the lines of one bus differ from each other."""

    address: int = 110
    strobe: int = 80
    access: int = 300
    write_data: int = 130
    hold: int = 45
    select: int = 30
    buffer: int = 12
    pull: int = 140
    spread: int = 25


class Moments(NamedTuple):
    """When things happen in each cycle, int64[n] nanoseconds: data driven, data released, selects on, selects off."""

    drive: NDArray[np.int64]
    release: NDArray[np.int64]
    on: NDArray[np.int64]
    off: NDArray[np.int64]


def line_lags(rng: np.random.Generator, count: int, d: Delays) -> NDArray[np.int64]:
    """How much later than the fastest each line of a bus is: fixed for a board."""
    return rng.integers(0, d.spread + 1, count)


def _clocked(
    run: Run,
    waves: Waves,
    rng: np.random.Generator,
    d: Delays,
    address: NDArray[np.int64],
    write_from: str = "high",
) -> Moments:
    """6502, 6800, 6809: everything turns on one clock."""
    start, end = run.start_ns, run.end_ns
    t = 1e9 / run.machine.clock_hz
    falls = np.rint(np.arange(round(start[0] / t) + 1, round(end[-1] / t) + 1) * t).astype(np.int64)
    period = round(t)
    for clock in ("PHI2", "E"):
        waves.put(clock, start[:1] - 500, 0)
        waves.pulse(clock, falls - period // 2, falls, 1)
    waves.put("Q", start[:1] - 500, 0)
    waves.pulse("Q", falls - 3 * period // 4, falls - period // 4, 1)
    write = run.kind == 1
    change = start + d.address
    waves.put_word("A", run.machine.address_bits, change, address, line_lags(rng, run.machine.address_bits, d))
    waves.put("RW", change + 5, (~write).astype(np.uint8))
    waves.put("SYNC", change + 15, (run.kind == 3).astype(np.uint8))
    waves.put("VMA", change + 10, (run.kind != 2).astype(np.uint8))
    waves.put("RDY", start[:1], 1)
    for name in ("BA", "BS"):
        waves.put(name, start[:1], 0)
    high = end - period // 2 if write_from == "high" else end - 3 * period // 4
    # A faster clock comes with faster parts: data are there in time.
    written = np.minimum(high + d.write_data, end - 140)
    answered = np.minimum(np.maximum(change + d.access, end - period // 2 + 20), end - 150)
    drive = np.where(write, written, answered)
    return Moments(drive, end + d.hold, change + d.spread + d.select, end + d.address + d.spread + d.select)


def _z80(run: Run, waves: Waves, rng: np.random.Generator, d: Delays) -> Moments:
    """Z80: strobes of half-clock timing; a refresh after each opcode."""
    start, end = run.start_ns, run.end_ns
    t = 1e9 / run.machine.clock_hz
    beats = np.rint(np.arange(start[0] / t - 2, end[-1] / t + 2) * t).astype(np.int64)
    waves.pulse("CLK", beats, beats + round(t / 2), 1)

    def at(rows: NDArray[np.bool_], clocks: float, delay: int) -> NDArray[np.int64]:
        return start[rows] + round(clocks * t) + delay

    busy = run.kind != 2
    opcode, write = run.kind == 3, run.kind == 1
    read = busy & ~write
    other = busy & ~opcode
    lag = line_lags(rng, 16, d)
    waves.put_word("A", 16, at(busy, 0, d.address), run.address[busy], lag)
    refresh = np.arange(np.count_nonzero(opcode)) & 0x7F
    waves.put_word("A", 16, at(opcode, 2, d.address), refresh.astype(np.int64), lag)
    for name in ("M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT"):
        waves.put(name, start[:1] - round(t), 1)
    waves.pulse("M1", at(opcode, 0, d.strobe + 20), at(opcode, 2, d.strobe + 20), 0)
    waves.pulse("MREQ", at(opcode, 0.5, d.strobe), at(opcode, 2, 85), 0)
    waves.pulse("MREQ", at(opcode, 2.5, d.strobe), at(opcode, 3.5, d.strobe), 0)
    waves.pulse("RFSH", at(opcode, 2, d.strobe + 50), at(opcode, 4, d.strobe + 30), 0)
    waves.pulse("MREQ", at(other, 0.5, d.strobe), at(other, 2.5, 90), 0)
    waves.pulse("RD", at(read, 0.5, d.strobe + 8), run.time_ns[read], 0)
    waves.pulse("WR", at(write, 1.5, d.strobe), run.time_ns[write], 0)
    select_on = start + round(0.5 * t) + d.strobe + d.select
    drive = np.where(write, start + round(0.5 * t) + d.write_data, np.minimum(select_on + d.access, run.time_ns - 60))
    release = np.where(write, end + 20, run.time_ns + d.hold)
    return Moments(drive, release, select_on, run.time_ns + d.select)


def _phase_two(run: Run, waves: Waves, rng: np.random.Generator, d: Delays) -> Moments:
    """6502 and 6800: write data come from the rise of phase 2."""
    return _clocked(run, waves, rng, d, run.address)


def _quadrature(run: Run, waves: Waves, rng: np.random.Generator, d: Delays) -> Moments:
    """6809: write data come from the rise of Q; a cycle that needs no bus shows FFFF and reads."""
    return _clocked(run, waves, rng, d, np.where(run.kind == 2, 0xFFFF, run.address), write_from="quadrature")


def _8085(run: Run, waves: Waves, rng: np.random.Generator, d: Delays) -> Moments:
    """8085: the low address byte on the data lines while ALE is high, then RD or WR to the middle of T3."""
    start = run.start_ns
    t = 1e9 / run.machine.clock_hz
    busy, write = run.kind != 2, run.kind == 1
    rows = start[busy]
    for name in ("RD", "WR", "INTA"):
        waves.put(name, start[:1] - round(t), 1)
    waves.put("ALE", start[:1] - round(t), 0)
    waves.pulse("ALE", rows + 30, rows + round(0.5 * t), 1)
    waves.put_word("AD", 8, rows + 50, run.address[busy] & 0xFF, line_lags(rng, 8, d))
    waves.put_word("A", 16, rows + 45, run.address[busy], line_lags(rng, 16, d))
    waves.put("IOM", start[:1], 0)
    waves.put("S1", rows + 40, (~write[busy]).astype(np.uint8))
    waves.put("S0", rows + 40, ((run.kind == 3) | write)[busy].astype(np.uint8))
    waves.pulse("RD", start[busy & ~write] + round(t) + 30, run.time_ns[busy & ~write], 0)
    waves.pulse("WR", start[write] + round(t) + 30, run.time_ns[write], 0)
    strobe = start + round(t) + 30
    drive = np.where(write, strobe + 25, np.minimum(strobe + d.access, run.time_ns - 110))
    release = np.where(write, run.time_ns + 110, run.time_ns + d.hold)
    select_on = start + 45 + d.spread + d.select
    return Moments(drive, release, select_on, run.end_ns + 45)


CPU_PINS: dict[str, Callable[[Run, Waves, np.random.Generator, Delays], Moments]] = {
    "6502": _phase_two,
    "6800": _phase_two,
    "6809": _quadrature,
    "z80": _z80,
    "8085": _8085,
}
