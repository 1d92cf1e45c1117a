"""One call from machine and faults to files, and the spellings that people give their clips."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from busledger.captures_demo.world.analyser import Analyser, record, write_vcd
from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.pins import Delays, Trouble, waveforms
from busledger.captures_demo.world.play import Run

__all__ = ["SPELLINGS", "capture", "spell", "standard_clips"]

_ACTIVE_LOW = {"M1", "MREQ", "IORQ", "RD", "WR", "RFSH", "HALT", "WAIT", "INTA"}

# How the trade writes lines: (active-low mark, address, data, read/write).
SPELLINGS: dict[str, tuple[str, str, str, str]] = {
    "slash": ("/{}", "A{}", "D{}", "R/W"),
    "suffix": ("{}_n", "addr[{}]", "data[{}]", "RW"),
    "prefix": ("n{}", "a{}", "d{}", "r/w"),
    "sharp": ("{}#", "A[{}]", "D[{}]", "R/W#"),
    "star": ("{}*", "A_{}", "D_{}", "R_W"),
}


def spell(line: str, style: str) -> str:
    """A line's name as a person who writes in ``style`` would give it to a channel."""
    low, address, data, read_write = SPELLINGS[style]
    if line in _ACTIVE_LOW or (line.startswith(("CS", "BEN")) and style != "slash"):
        return low.format(line)
    if line == "RW":
        return read_write
    if line == "IOM":
        return "IO/M"
    if line[:1] == "A" and line[1:].isdigit():
        return address.format(line[1:])
    if line[:1] == "D" and line[1:].isdigit():
        return data.format(line[1:])
    return line


def standard_clips(
    machine: Machine, *, selects: bool = True, buffers: bool = True, far_side: bool = False
) -> list[str]:
    """The lines that a person would clip: control, address, data, then what the card offers."""
    kind = BUS_KINDS[machine.bus]
    clips = [*kind.controls, *(f"A{n}" for n in range(kind.first_address, machine.address_bits))]
    clips += [f"{kind.data}{n}" for n in range(machine.data_bits)]
    if selects:
        clips += [region.select for region in machine.regions if region.select]
    for card in machine.cards:
        if card.buffer and buffers:
            clips.append(f"DIR{card.name}" if card.follows else f"BEN{card.name}")
        if card.buffer and far_side:
            clips += [f"MD{card.name}{n}" for n in range(machine.data_bits)]
    return clips


def capture(
    run: Run,
    path: Path,
    *,
    seed: int,
    clips: Sequence[str] | None = None,
    style: str = "slash",
    analyser: Analyser | None = None,
    rate_hz: float = 24e6,
    delays: Delays | None = None,
    troubles: tuple[Trouble, ...] = (),
) -> int:
    """Write the run as the analyser sees it; returns how many level changes it kept.

    ``rate_hz`` counts where no ``analyser`` is given.
    """
    rng = np.random.default_rng(seed)
    waves = waveforms(run, rng, delays, troubles)
    chosen = list(clips) if clips is not None else standard_clips(run.machine)
    recording = record(waves, chosen, analyser or Analyser(rate_hz=rate_hz), seed + 1, int(run.end_ns[-1]) + 3_000)
    write_vcd(recording, path, {line: spell(line, style) for line in chosen})
    return int(recording.sample.shape[0])
