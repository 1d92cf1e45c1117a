"""Captures with more than one bus in them: both sides of a driver, two processors, a device that takes the bus."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from busledger.captures_demo.world.analyser import Analyser, Recording, record, write_vcd
from busledger.captures_demo.world.bench import capture, standard_clips
from busledger.captures_demo.world.faults import Fault
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region
from busledger.captures_demo.world.marches import march
from busledger.captures_demo.world.pins import waveforms
from busledger.captures_demo.world.play import play
from busledger.captures_demo.world.stimulus import Accesses, address_in_data, random_reads, weave
from busledger.captures_demo.world.waves import Waves

__all__ = ["CARD_SIDE", "DeviceCapture", "device_capture", "two_processors", "two_sides", "wiring_file"]

CARD_SIDE = {"CE": "CS0", "OE": "/RD", "WE": "/WR"} | {f"D{n}": f"MD{n}" for n in range(8)}
"""The pins of the RAM behind the driver: select and strobes, and the data lines of the card's side."""


def wiring_file(path: Path, table: dict[str, str]) -> Path:
    """``table`` (line → channel) as a file for ``--wiring``."""
    path.write_text("[wiring]\n" + "".join(f'{line} = "{channel}"\n' for line, channel in table.items()), "utf-8")
    return path


def _telescope(bus: str, *, follows: bool = True) -> Machine:
    """A drive controller: a ROM beside the processor, one row of RAM behind a bus driver."""
    ram = Region(
        "table",
        0x4000,
        0x43FF,
        (Chip("U1", "2114", (0, 1, 2, 3)), Chip("U2", "2114", (4, 5, 6, 7))),
        card=1,
        select="CS0",
    )
    rom = Region("monitor", 0xF800, 0xFFFF, (), kind="rom", image=bytes(range(256)) * 8)
    hertz = 2e6 if bus == "z80" else 1e6
    return Machine("Telescope drive", bus, (Card(), Card(buffer="U10", follows=follows)), (rom, ram), clock_hz=hertz)


def _run(machine: Machine, faults: tuple[Fault, ...], seed: int):
    rng = np.random.default_rng(seed)
    cells = np.arange(0x4000, 0x4400)
    accesses = Accesses.join([address_in_data(cells), march("MATS+", cells[:64], 0x0F), random_reads(cells, 500, rng)])
    return play(machine, faults, weave(accesses, (0xF800, 0xFFFF), rng, fetches=2), seed)


def two_sides(path: Path, *, lane: int | None = None, follows: bool = True) -> Path:
    """A Z80 and the card side of its bus driver; ``lane`` does not cross the driver toward the card.

    ``follows``: the driver points to the card between the card's own reads; else it is off then.
    """
    machine = _telescope("z80", follows=follows)
    faults = () if lane is None else (Fault("stuck-low", "buffer", card=1, lanes=(lane,)),)
    clips = standard_clips(machine, far_side=True)
    capture(_run(machine, faults, 3), path, seed=3, clips=clips, rate_hz=50e6)
    return path


def two_processors(folder: Path) -> dict[str, tuple[Path, Path]]:
    """name → (capture, wiring) of a 6502 with a bad RAM, of a healthy Z80, and of ``both`` on one analyser.

    Channels have numbers for names; each bus's wiring file is right for its own capture and for the joint one.
    """
    recordings = {}
    for bus, faults in (("6502", (Fault("stuck-high", "chip", chip="U2", lanes=(6,)),)), ("z80", ())):
        machine = _telescope(bus)
        run = _run(machine, faults, 7)
        clips = standard_clips(machine, selects=False, buffers=False)
        waves = waveforms(run, np.random.default_rng(7))
        recordings[bus] = record(waves, clips, Analyser(rate_hz=24e6), 7, int(run.end_ns[-1]) + 3000)
    first, second = recordings["6502"], recordings["z80"]
    found = {}
    for bus, one, base in (("6502", first, 0), ("z80", second, len(first.names))):
        channels = {line: f"ch{base + k}" for k, line in enumerate(one.names)}
        write_vcd(one, folder / f"{bus}.vcd", channels)
        found[bus] = folder / f"{bus}.vcd", wiring_file(folder / f"{bus}.toml", channels)
    both = _beside(first, second)
    write_vcd(both, folder / "both.vcd", {})
    return {**found, "both": (folder / "both.vcd", folder)}


def _beside(first: Recording, second: Recording) -> Recording:
    """Two recordings of one sample rate as one, channels numbered through."""
    moved = replace(second, channel=second.channel + np.int32(len(first.names)))
    sample = np.concatenate([first.sample, moved.sample])
    order = np.argsort(sample, kind="stable")
    names = tuple(f"ch{k}" for k in range(len(first.names) + len(second.names)))
    return Recording(
        names,
        first.rate_hz,
        sample[order],
        np.concatenate([first.channel, moved.channel])[order],
        np.concatenate([first.level, moved.level])[order],
        max(first.samples, second.samples),
    )


class DeviceCapture(Waves):
    """A Z80 whose bus a disc controller takes now and then, drawn cycle by cycle.

    The Z80's own pins are clipped before its drivers, so they rest while BUSAK is low; the memory's pins show the
    cycles of both. Z80: after the read and write diagrams of the Z80 CPU User Manual, at 2 MHz.
    """

    def __init__(self, inverted: bool) -> None:
        super().__init__()
        self.now, self.flip = 2000, 0xFF if inverted else 0
        for line in ("/MREQ", "/RD", "/WR", "/BUSAK", "/CE", "/OE", "/WE"):
            self._at(0, line, 1)
        for bit in range(16):
            self._at(0, f"A{bit}", 0)
            self._at(0, f"MA{bit}", 0)
        for bit in range(8):
            self._at(0, f"D{bit}", 0)
            self._at(0, f"MD{bit}", 0)

    def _at(self, time: int, line: str, level: int) -> None:
        self.put(line, np.array([time]), level)

    def _word(self, time: int, prefix: str, bits: int, value: int) -> None:
        for bit in range(bits):
            self._at(time, f"{prefix}{bit}", value >> bit & 1)

    def cycle(self, address: int, data: int, *, write: bool, device: bool = False) -> None:
        """One read or write of the memory; the Z80's pins take no part in one of the device."""
        start = self.now
        begin, end = start + 300, start + 1200
        if not device:
            self._word(start, "A", 16, address)
            self._word(start + 350, "D", 8, data)
            for line in ("/MREQ", "/WR" if write else "/RD"):
                self._at(begin, line, 0)
                self._at(end, line, 1)
        self._word(start + 10, "MA", 16, address)
        self._word(start + 360, "MD", 8, data ^ self.flip)
        for line in ("/CE", "/WE" if write else "/OE"):
            self._at(begin + 15, line, 0)
            self._at(end + 15, line, 1)
        self.now += 1500

    def grant(self, granted: bool) -> None:
        """BUSAK falls or rises."""
        self._at(self.now, "/BUSAK", int(not granted))
        self.now += 1000

    def write(self, path: Path) -> Path:
        """As an analyser of 50 MHz keeps it."""
        clips = self.names()
        write_vcd(record(self, clips, Analyser(rate_hz=50e6, jitter_ns=0), 1, self.now + 2000), path, {})
        return path


def device_capture(path: Path, *, cpu_cycles: int = 300, device_cycles: int = 40, inverted: bool = False) -> Path:
    """The Z80 fills a buffer and reads it; in between the device fills its first cells anew.

    ``inverted``: the driver before the memory turns the data over.
    """
    drawn = DeviceCapture(inverted)
    for k in range(cpu_cycles // 2):
        drawn.cycle(0x4000 + k, 3 * k & 0xFF, write=True)
    drawn.grant(True)
    for k in range(device_cycles):
        drawn.cycle(0x4000 + k, 5 * k + 1 & 0xFF, write=True, device=True)
    drawn.grant(False)
    for k in range(cpu_cycles // 2):
        drawn.cycle(0x4000 + k, (5 * k + 1 if k < device_cycles else 3 * k) & 0xFF, write=False)
    return drawn.write(path)
