"""From bus cycles to levels on pins, with the delays of period parts.

Figures are typical ones for parts of the speed used; the data sheets named are
from memory: MCS6500 data sheet May 1976, MC6800 data sheet, Zilog Z80 CPU
product specification March 1978, TI SN74LS138 and SN74LS245.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from captures_demo.world.play import Run
from captures_demo.world.waves import Waves

__all__ = ["Delays", "Moments", "Trouble", "card_cycles", "waveforms"]


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


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something wrong that shows between sampling edges only, or on a control line.

    kind
        "glitching": false pulses of ``width_ns`` on the select of ``region`` in a ``share`` of the cycles.
        "overlap": after a read from it, the buffer of ``card`` still drives the bus for ``width_ns`` when the CPU (or
        another memory) begins to. "line-stuck": the control line of the buffer of ``card`` stays at ``level``.
    """

    kind: str
    region: str = ""
    card: int = 0
    share: float = 0.02
    width_ns: int = 120
    level: int = 0


class Moments(NamedTuple):
    """When things happen in each cycle, int64[n] nanoseconds: data driven, data released, selects on, selects off."""

    drive: NDArray[np.int64]
    release: NDArray[np.int64]
    on: NDArray[np.int64]
    off: NDArray[np.int64]


def waveforms(
    run: Run, rng: np.random.Generator, delays: Delays | None = None, troubles: tuple[Trouble, ...] = ()
) -> Waves:
    """Every line of the machine over the whole run: CPU pins, selects, buffer controls and card-side data."""
    d = delays or Delays()
    waves = Waves()
    moments = _z80(run, waves, rng, d) if run.machine.bus == "z80" else _clocked(run, waves, rng, d)
    overlaps = [trouble for trouble in troubles if trouble.kind == "overlap"]
    late = _late_release(run, moments, overlaps[0], rng) if overlaps else moments.off
    _data(run, waves, rng, d, moments, late if overlaps else None)
    _selects(run, waves, d, moments)
    _cards(run, waves, rng, d, moments, late, troubles)
    for trouble in troubles:
        if trouble.kind == "glitching":
            _glitches(run, waves, moments, trouble, rng)
    return waves


def _lag(rng: np.random.Generator, count: int, d: Delays) -> NDArray[np.int64]:
    """How much later than the fastest each line of a bus is: fixed for a board."""
    return rng.integers(0, d.spread + 1, count)


def _clocked(run: Run, waves: Waves, rng: np.random.Generator, d: Delays) -> Moments:
    """6502 and 6800: everything turns on phase 2."""
    start, end = run.start_ns, run.end_ns
    t = 1e9 / run.machine.clock_hz
    falls = np.rint(np.arange(round(start[0] / t) + 1, round(end[-1] / t) + 1) * t).astype(np.int64)
    period = round(t)
    waves.put("PHI2", start[:1] - 500, 0)
    waves.pulse("PHI2", falls - period // 2, falls, 1)
    write = run.kind == 1
    change = start + d.address
    waves.put_word("A", run.machine.address_bits, change, run.address, _lag(rng, run.machine.address_bits, d))
    waves.put("RW", change + 5, (~write).astype(np.uint8))
    if run.machine.bus == "6502":
        waves.put("SYNC", change + 15, (run.kind == 3).astype(np.uint8))
        waves.put("RDY", start[:1], 1)
    else:
        waves.put("VMA", change + 10, (run.kind != 2).astype(np.uint8))
        waves.put("BA", start[:1], 0)
    high = end - period // 2
    # A faster clock comes with faster parts: data are there in time.
    written = np.minimum(high + d.write_data, end - 140)
    drive = np.where(write, written, np.minimum(np.maximum(change + d.access, high + 20), end - 150))
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
    lag = _lag(rng, 16, d)
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


def _data(
    run: Run,
    waves: Waves,
    rng: np.random.Generator,
    d: Delays,
    moments: Moments,
    late: NDArray[np.int64] | None,
) -> None:
    """The CPU side of the data bus: driven, unsettled for a while in some reads, kept or pulled afterwards.

    ``late``: until when each cycle's driver holds on, where one does so into the next cycle.
    """
    bits = run.machine.data_bits
    drive, release = moments.drive, moments.release
    lag = _lag(rng, bits, d)
    busy = run.kind != 2
    reads = busy & (run.kind != 1)
    wild = reads & (rng.random(len(run)) < 0.25)
    words = run.data ^ (rng.integers(0, 1 << bits, len(run)) & rng.integers(0, 1 << bits, len(run)))
    waves.put_word("D", bits, run.start_ns[:1] - 500, run.kept[:1], lag)
    waves.put_word("D", bits, drive[wild] - 70, words[wild], lag)
    fights = np.zeros(len(run), np.bool_)
    if late is not None:
        fights[1:] = late[:-1] > drive[1:]
        rows = np.flatnonzero(fights)
        waves.put_word("D", bits, drive[rows], run.data[rows] & run.data[rows - 1], lag)
        waves.put_word("D", bits, late[rows - 1], run.data[rows], lag)
    calm = busy & ~fights
    drive = _slow_parts(run, drive, rng)
    for bit in range(bits):
        waves.put(f"D{bit}", drive[calm, bit] + lag[bit], (run.data[calm] >> bit & 1).astype(np.uint8))
    if run.machine.floats != "keep":
        idle_word = (1 << bits) - 1 if run.machine.floats == "up" else 0
        following = np.append(moments.drive[1:], moments.drive[-1] + 10_000)
        room = busy & (release + d.pull + d.spread < following - 75)
        count = np.count_nonzero(room)
        waves.put_word("D", bits, release[room] + d.pull, np.full(count, idle_word, np.int64), lag)


def _slow_parts(run: Run, drive: NDArray[np.int64], rng: np.random.Generator) -> NDArray[np.int64]:
    """int64[n, lanes]: when each lane is driven; a part that is late at times is nearly late at all times."""
    lanes = np.repeat(drive[:, None], run.machine.data_bits, axis=1)
    for fault in run.faults:
        if fault.fault != "slow":
            continue
        index = run.machine.chip(fault.chip)[0] if fault.chip else run.machine.region(fault.region)
        mask = run.machine.chip(fault.chip)[1].mask if fault.chip else (1 << run.machine.data_bits) - 1
        reads = (run.selects[:, index] == 1) & (run.kind != 1)
        nearly = run.time_ns - 110 - rng.integers(0, 60, len(run))
        for bit in range(run.machine.data_bits):
            if mask >> bit & 1:
                lanes[reads, bit] = np.maximum(drive, nearly)[reads]
    return lanes


def _selects(run: Run, waves: Waves, d: Delays, moments: Moments) -> None:
    """Select lines, active low, as the decoder gives them."""
    for index, region in enumerate(run.machine.regions):
        if region.select:
            waves.put(region.select, run.start_ns[:1] - 500, 1)
            chosen = run.selects[:, index] == 1
            waves.put(region.select, moments.on, np.where(chosen, 0, 1).astype(np.uint8))
            if run.machine.bus == "z80":
                waves.put(region.select, moments.off[chosen], 1)


def card_cycles(run: Run, card: int) -> NDArray[np.bool_]:
    """bool[n]: transfers at addresses of one card."""
    mine = np.zeros(len(run), np.bool_)
    for region in run.machine.regions:
        if region.card == card:
            mine |= (run.address >= region.start) & (run.address <= region.end)
    return np.asarray(mine & (run.kind != 2), np.bool_)


def _late_release(run: Run, moments: Moments, trouble: Trouble, rng: np.random.Generator) -> NDArray[np.int64]:
    """``off`` put into the next cycle, where another driver follows a read from the card."""
    late = moments.off.copy()
    reads = card_cycles(run, trouble.card) & (run.kind != 1)
    rows = np.flatnonzero(reads[:-1] & ~reads[1:] & (run.kind[1:] != 2))
    wanted = moments.drive[rows + 1] + trouble.width_ns + rng.integers(0, 20, rows.shape[0])
    late[rows] = np.minimum(wanted, run.time_ns[rows + 1] - 100)
    return late


def _cards(
    run: Run,
    waves: Waves,
    rng: np.random.Generator,
    d: Delays,
    moments: Moments,
    late: NDArray[np.int64],
    troubles: tuple[Trouble, ...],
) -> None:
    """Buffer controls (``DIR`` or ``BEN`` with the card's name) and card-side data (``MD`` with its name)."""
    bits = run.machine.data_bits
    for index, card in enumerate(run.machine.cards):
        if not card.buffer:
            continue
        mine = card_cycles(run, index)
        control = f"DIR{card.name}" if card.follows else f"BEN{card.name}"
        asserted = mine & (run.kind != 1) if card.follows else mine
        stuck = [trouble for trouble in troubles if trouble.kind == "line-stuck" and trouble.card == index]
        waves.put(control, run.start_ns[:1] - 500, stuck[0].level if stuck else 1)
        if not stuck:
            # Held beyond the cycle only where the turn-round is late.
            held = late != moments.off
            begins = np.concatenate([[False], held[:-1]])
            waves.put(control, moments.on[asserted] + 5, 0)
            waves.put(control, moments.on[~asserted & ~begins] + 5, 1)
            waves.put(control, late[held] + 5, 1)
            if run.machine.bus == "z80":
                waves.put(control, moments.off[asserted & ~held] + 5, 1)
        lag = _lag(rng, bits, d)
        shift = np.where(mine & (run.kind != 1), -d.buffer - d.spread, d.buffer + d.spread)
        moving = (run.kind != 2) & (mine | card.follows)
        waves.put_word(f"MD{card.name}", bits, run.start_ns[:1] - 500, run.card_lines[:1, index], lag)
        waves.put_word(f"MD{card.name}", bits, (moments.drive + shift)[moving], run.card_lines[moving, index], lag)


def _glitches(run: Run, waves: Waves, moments: Moments, trouble: Trouble, rng: np.random.Generator) -> None:
    """False pulses on a select, somewhere within the cycle."""
    index = run.machine.region(trouble.region)
    chosen = run.selects[:, index]
    rows = np.flatnonzero((rng.random(len(run)) < trouble.share) & (run.kind != 2))
    room = np.maximum(run.time_ns[rows] - moments.on[rows] - trouble.width_ns - 20, 1)
    begin = moments.on[rows] + 20 + (rng.random(rows.shape[0]) * room).astype(np.int64)
    level = 1 - chosen[rows]  # active low
    waves.put(run.machine.regions[index].select, begin, (1 - level).astype(np.uint8))
    waves.put(run.machine.regions[index].select, begin + trouble.width_ns, level.astype(np.uint8))
