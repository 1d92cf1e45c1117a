"""From bus cycles to levels on all lines: the data bus, selects, buffer controls and the card side.

Delays are typical ones of TI's SN74LS138 and SN74LS245, from memory of their data sheets.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.cpu_pins import CPU_PINS, Delays, Moments, line_lags
from busledger.captures_demo.world.play import Run
from busledger.captures_demo.world.waves import Waves

__all__ = ["Delays", "Trouble", "card_cycles", "waveforms"]


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


def waveforms(
    run: Run, rng: np.random.Generator, delays: Delays | None = None, troubles: tuple[Trouble, ...] = ()
) -> Waves:
    """Every line of the machine over the whole run: CPU pins, selects, buffer controls and card-side data."""
    d = delays or Delays()
    waves = Waves()
    moments = CPU_PINS[run.machine.bus](run, waves, rng, d)
    overlaps = [trouble for trouble in troubles if trouble.kind == "overlap"]
    late = _late_release(run, moments, overlaps[0], rng) if overlaps else moments.off
    _data(run, waves, rng, d, moments, late if overlaps else None)
    _selects(run, waves, d, moments)
    _cards(run, waves, rng, d, moments, late, troubles)
    for trouble in troubles:
        if trouble.kind == "glitching":
            _glitches(run, waves, moments, trouble, rng)
    return waves


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
    bits, name = run.machine.data_bits, BUS_KINDS[run.machine.bus].data
    drive, release = moments.drive, moments.release
    lag = line_lags(rng, bits, d)
    busy = run.kind != 2
    reads = busy & (run.kind != 1)
    wild = reads & (rng.random(len(run)) < 0.25)
    words = run.data ^ (rng.integers(0, 1 << bits, len(run)) & rng.integers(0, 1 << bits, len(run)))
    waves.put_word(name, bits, run.start_ns[:1] - 500, run.kept[:1], lag)
    waves.put_word(name, bits, drive[wild] - 70, words[wild], lag)
    fights = np.zeros(len(run), np.bool_)
    if late is not None:
        fights[1:] = late[:-1] > drive[1:]
        rows = np.flatnonzero(fights)
        waves.put_word(name, bits, drive[rows], run.data[rows] & run.data[rows - 1], lag)
        waves.put_word(name, bits, late[rows - 1], run.data[rows], lag)
    calm = busy & ~fights
    drive = _slow_parts(run, drive, rng)
    for bit in range(bits):
        waves.put(f"{name}{bit}", drive[calm, bit] + lag[bit], (run.data[calm] >> bit & 1).astype(np.uint8))
    if run.machine.floats != "keep":
        idle_word = (1 << bits) - 1 if run.machine.floats == "up" else 0
        # The next to speak: a driver of data, or the address byte on shared lines.
        speaks = run.start_ns + 50 if BUS_KINDS[run.machine.bus].multiplexed else moments.drive
        following = np.append(speaks[1:], speaks[-1] + 10_000)
        room = busy & (release + d.pull + d.spread < following - 75)
        count = np.count_nonzero(room)
        waves.put_word(name, bits, release[room] + d.pull, np.full(count, idle_word, np.int64), lag)


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
            if BUS_KINDS[run.machine.bus].qualified:
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
            if BUS_KINDS[run.machine.bus].qualified:
                waves.put(control, moments.off[asserted & ~held] + 5, 1)
        lag = line_lags(rng, bits, d)
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
