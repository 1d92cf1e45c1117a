"""Sound machines that are not plain memory, and captures that do not show what was on the bus.

Each row of the diagnosis's table of rivals has a spoiler here: ``replayed`` plays a healthy run's accesses on memory
with a quirk; ``off``, ``noisy``, ``ringing`` and ``exchanged`` bend what the analyser kept of a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from busledger.captures_demo.world.analyser import Recording
from busledger.captures_demo.world.machine import Machine
from busledger.captures_demo.world.play import Run

__all__ = [
    "Banked", "Device", "Elsewhere", "Lost", "Mirrored", "Narrow", "Plain", "Protected", "Shared", "exchanged", "noisy",
    "off", "replayed", "ringing",
]  # fmt: skip


class Plain:
    """Plain memory over the whole space: ``cells`` int64[65536]. Quirks override what differs.

    ``tick`` comes before each access with its number; ``kept`` is what the bus carried before.
    """

    def __init__(self, machine: Machine, rng: np.random.Generator) -> None:
        self.rng = rng
        self.cells = rng.integers(0, 256, 1 << machine.address_bits)
        for region in machine.regions:
            if region.image is not None:
                self.cells[region.start : region.end + 1] = np.frombuffer(region.image, np.uint8)[: region.size]
        self.rom = [(r.start, r.end) for r in machine.regions if r.kind == "rom"]

    def tick(self, number: int) -> None:
        """Nothing happens by itself."""

    def write(self, address: int, value: int) -> None:
        """What the processor writes."""
        if not any(low <= address <= high for low, high in self.rom):
            self.cells[address] = value

    def read(self, address: int, kept: int) -> int:
        """What the processor gets."""
        return int(self.cells[address])


class Device(Plain):
    """Registers at ``start`` … ``end``: a counter, a status byte, a byte that was received, one that floats."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end, self.count = start, end, 0

    def tick(self, number: int) -> None:
        self.count = number

    def read(self, address: int, kept: int) -> int:
        if not self.start <= address <= self.end:
            return super().read(address, kept)
        kind = (address - self.start) & 3
        return [int(self.rng.choice([0x0E, 0x8E])), int(self.rng.integers(0x20, 0x7F)), self.count & 0xFF, kept][kind]


class Protected(Plain):
    """Writes to ``start`` … ``end`` do not take."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end = start, end

    def write(self, address: int, value: int) -> None:
        if not self.start <= address <= self.end:
            super().write(address, value)


class Mirrored(Plain):
    """``size`` bytes of memory that answer all over ``start`` … ``end``."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int, size: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end, self.size = start, end, size

    def _home(self, address: int) -> int:
        inside = self.start <= address <= self.end
        return self.start + (address - self.start) % self.size if inside else address

    def write(self, address: int, value: int) -> None:
        super().write(self._home(address), value)

    def read(self, address: int, kept: int) -> int:
        return super().read(self._home(address), kept)


class Banked(Plain):
    """``banks`` memories behind ``start`` … ``end``, switched every ``period`` accesses."""

    def __init__(
        self, machine: Machine, rng: np.random.Generator, start: int, end: int, period: int, banks: int = 2
    ) -> None:
        super().__init__(machine, rng)
        self.start, self.end, self.period = start, end, period
        self.banks = [rng.integers(0, 256, end - start + 1) for _ in range(banks)]
        self.now = 0

    def tick(self, number: int) -> None:
        self.now = number // self.period % len(self.banks)

    def write(self, address: int, value: int) -> None:
        if self.start <= address <= self.end:
            self.banks[self.now][address - self.start] = value
        else:
            super().write(address, value)

    def read(self, address: int, kept: int) -> int:
        if self.start <= address <= self.end:
            return int(self.banks[self.now][address - self.start])
        return super().read(address, kept)


class Shared(Plain):
    """Another master writes to the cells ``start`` … ``end`` every ``period`` accesses."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int, period: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end, self.period = start, end, period

    def tick(self, number: int) -> None:
        if number % self.period == self.period - 1:
            self.cells[int(self.rng.integers(self.start, self.end + 1))] = int(self.rng.integers(256))


class Lost(Plain):
    """At access ``moment`` what lies in ``start`` … ``end`` becomes anything."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int, moment: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end, self.moment = start, end, moment

    def tick(self, number: int) -> None:
        if number != self.moment:
            return
        for address in range(self.start, self.end + 1):
            if not any(low <= address <= high for low, high in self.rom):
                self.cells[address] = int(self.rng.integers(256))


class Elsewhere(Plain):
    """The ROM holds another version: runs of other bytes, ``share`` of it."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int, share: float = 0.1) -> None:
        super().__init__(machine, rng)
        left = int((end - start + 1) * share)
        while left > 0:
            at, length = int(rng.integers(start, end - 40)), int(rng.integers(3, 40))
            self.cells[at : at + length] = rng.integers(0, 256, length)
            left -= length


class Narrow(Plain):
    """Memory of four bits: nobody drives the upper half of the bus in ``start`` … ``end``."""

    def __init__(self, machine: Machine, rng: np.random.Generator, start: int, end: int) -> None:
        super().__init__(machine, rng)
        self.start, self.end = start, end

    def read(self, address: int, kept: int) -> int:
        value = super().read(address, kept)
        return value & 0x0F | kept & 0xF0 if self.start <= address <= self.end else value


def replayed(run: Run, memory: Plain) -> Run:
    """The same accesses, the same bytes written, and what ``memory`` gives for the reads."""
    data = run.data.copy()
    bus = int(run.kept[0])
    kept = run.kept.copy()
    floats = {"keep": None, "up": 0xFF, "down": 0}[run.machine.floats]
    for i, (kind, address) in enumerate(zip(run.kind.tolist(), run.address.tolist(), strict=True)):
        kept[i] = bus
        if kind == 2:
            data[i] = bus
            continue
        memory.tick(i)
        if kind == 1:
            memory.write(address, int(data[i]))
        else:
            data[i] = memory.read(address, bus if floats is None else floats)
        bus = int(data[i])
    return replace(run, data=data, kept=kept)


def off(recording: Recording, line: str, *, level: int, start: float = 0.0, end: float = 1.0) -> Recording:
    """The clip on ``line`` is off between two shares of the capture: it shows one level there."""
    channel = recording.names.index(line)
    first, last = int(start * recording.samples), int(end * recording.samples)
    mine = recording.channel == channel
    inside = mine & (recording.sample >= first) & (recording.sample < last)
    after = np.flatnonzero(mine & (recording.sample < last))
    back = int(recording.level[after[-1]]) if len(after) else level
    edges = [(first, level)] + ([(last, back)] if last < recording.samples else [])
    return _with(recording, ~inside, channel, edges)


def noisy(recording: Recording, line: str, rng: np.random.Generator, share: float) -> Recording:
    """``line`` shows pulses of one sample, in a ``share`` of all samples."""
    channel = recording.names.index(line)
    mine = recording.channel == channel
    at, levels = recording.sample[mine], recording.level[mine]
    spots = np.unique(rng.integers(2, recording.samples - 2, int(share * recording.samples)))
    spots = spots[np.append(True, np.diff(spots) > 2)]
    place = np.searchsorted(at, spots, side="right") - 1
    following = np.append(at[1:], recording.samples)[place]
    calm = (place >= 0) & (spots > at[place]) & (spots + 1 < following)
    edges = []
    for spot, held in zip(spots[calm].tolist(), levels[place[calm]].tolist(), strict=True):
        edges += [(spot, 1 - held), (spot + 1, held)]
    return _with(recording, np.ones(len(recording.sample), np.bool_), channel, edges)


def ringing(recording: Recording, line: str, rng: np.random.Generator, share: float, *, to: int) -> Recording:
    """A ``share`` of the edges of ``line`` to level ``to`` come twice, a sample or two apart."""
    channel = recording.names.index(line)
    edges = np.flatnonzero((recording.channel == channel) & (recording.level == to))[:-1]
    picked = recording.sample[edges[rng.random(len(edges)) < share]]
    made = [edge for spot in picked.tolist() for edge in ((spot + 1, 1 - to), (spot + 2, to))]
    return _with(recording, np.ones(len(recording.sample), np.bool_), channel, made)


def exchanged(recording: Recording, one: str, two: str) -> Recording:
    """The clips on two lines are exchanged."""
    names = list(recording.names)
    i, j = names.index(one), names.index(two)
    names[i], names[j] = names[j], names[i]
    return replace(recording, names=tuple(names))


def _with(recording: Recording, keep: NDArray[np.bool_], channel: int, edges: Sequence[tuple[int, int]]) -> Recording:
    """The recording with edges of one channel added, ordered, and those that change nothing left out."""
    sample = np.concatenate([recording.sample[keep], np.array([at for at, _ in edges], np.int64)])
    channels = np.concatenate([recording.channel[keep], np.full(len(edges), channel, np.int32)])
    level = np.concatenate([recording.level[keep], np.array([value for _, value in edges], np.uint8)])
    order = np.argsort(sample, kind="stable")
    sample, channels, level = sample[order], channels[order], level[order]
    mine = np.flatnonzero(channels == channel)
    same = np.append(False, level[mine][1:] == level[mine][:-1])
    left = np.ones(len(sample), np.bool_)
    left[mine[same]] = False
    channels = channels.astype(np.int32)
    return replace(recording, sample=sample[left], channel=channels[left], level=level[left])

