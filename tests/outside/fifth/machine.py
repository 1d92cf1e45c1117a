"""The card at work: every access goes through selects, drivers and chips, sound or broken."""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Protocol

from tests.outside.fifth.model import Card, Cycle, Fault, Region

CHIP_MODES = {"out-stuck", "pin-open", "bridge", "write-lost", "dead", "addr-stuck", "addr-bridge", "slow", "leaky",
              "cell-stuck", "coupled", "row", "cell-leaky"}


class Overlay(Protocol):
    """Something that answers in place of the card's memory, or changes it behind the bus's back."""

    def tick(self, machine: Machine, now: float) -> None:
        """Time has come to `now` (ns)."""

    def read(self, machine: Machine, kind: str, address: int, now: float) -> int | None:
        """The byte it gives, or None when it is not asked."""

    def write(self, machine: Machine, kind: str, address: int, data: int, now: float) -> bool:
        """Whether it keeps this write from the memory."""


def activity(fault: Fault, count: int) -> bytes:
    """Whether the fault acts, access by access (bytes of 0 or 1): a coin, or bursts of a contact."""
    if not fault.intermittent:
        return b"\x01" * count
    draw = random.Random(fault.seed)
    out = bytearray(count)
    if not fault.bursty:
        for i in range(count):
            out[i] = draw.random() < fault.rate
        return bytes(out)
    at = 0
    while at < count:  # quiet stretches, then a stretch in which it acts often
        quiet = int(draw.expovariate(1.0) * 1500) + 100
        burst = int(draw.expovariate(1.0) * 400) + 40
        for i in range(at + quiet, min(count, at + quiet + burst)):
            out[i] = draw.random() < min(0.9, fault.rate * 4)
        at += quiet + burst
    return bytes(out)


@dataclass
class Machine:
    """State of one run. Cells power up at random."""

    card: Card
    faults: Sequence[Fault] = ()
    seed: int = 0
    overlays: list[Overlay] = field(default_factory=list)
    length: int = 60000

    def __post_init__(self) -> None:
        self.cells: dict[str, bytearray] = {}
        self.written: dict[str, dict[int, float]] = {one.name: {} for one in self.card.regions}
        for one in self.card.regions:
            if one.image is not None:
                self.cells[one.name] = bytearray(one.image)
            else:
                self.cells[one.name] = bytearray(random.Random(f"{self.seed}{one.name}").randbytes(one.size))
        self.bus = 0xFF
        self.side = 0xFF  # the card's side of the data driver
        self.index = 0
        self.rows: tuple[str, ...] = ()
        self.chips: dict[str, list[tuple[int, list[tuple[Fault, bytes]]]]] = {}
        self.path: list[tuple[Fault, bytes]] = []
        for fault in self.faults:
            if fault.mode not in CHIP_MODES or fault.scope in ("region", "board", "buffer"):
                self.path.append((fault, activity(fault, self.length)))
        for one in self.card.regions:
            rows: list[tuple[int, list[tuple[Fault, bytes]]]] = []
            rest = 0xFF
            for chip in one.chips:
                mine = [(f, activity(f, self.length)) for f in self.faults
                        if f.component == chip.designator and f.scope in ("chip", "cell") and one.name in f.regions]
                if mine:
                    rows.append((chip.mask, mine))
                    rest &= ~chip.mask
            if rest:
                rows.append((rest, []))
            self.chips[one.name] = rows
        self.pages: dict[int, Region] = {}
        for one in self.card.regions:
            for page in range(one.start >> 6, (one.end >> 6) + 1):
                self.pages[page] = one

    # -- the path ---------------------------------------------------------------------------------

    def on(self, active: bytes) -> bool:
        """Whether it acts in this access."""
        return active[self.index % len(active)] == 1

    def selected(self, region: Region | None, address: int) -> list[tuple[Region, int]]:
        """Which rows see a select, and the address within each that their pins show."""
        rows: list[tuple[Region, int]] = []
        if region is not None:
            rows.append((region, address - region.start))
        for fault, active in self.path:
            if region is None or not self.on(active):
                continue
            if fault.mode == "select-missing" and region.name in fault.regions:
                rows = [row for row in rows if row[0] is not region]
            elif fault.mode == "select-extra" and region.name == fault.aggressor:
                extra = self.card.region(fault.regions[0])
                rows.append((extra, (address - region.start) % extra.size))
        self.rows = tuple(row.name for row, _ in rows)
        out: list[tuple[Region, int]] = []
        for row, offset in rows:
            if any(f.mode == "no-answer" and row.name in f.regions and self.on(active) for f, active in self.path):
                continue
            for fault, active in self.path:
                if fault.mode in ("addr-stuck", "addr-bridge") and row.name in fault.regions and self.on(active):
                    offset = bend(fault, offset) % row.size
            out.append((row, offset))
        return out

    # -- chips ------------------------------------------------------------------------------------

    def store(self, region: Region, offset: int, data: int, now: float, floating: int) -> None:
        """A write reaches a row's chips."""
        cells = self.cells[region.name]
        if region.kind == "rom":
            return
        for mask, faults in self.chips[region.name]:
            at, value, lost = offset, data, False
            for fault, active in faults:
                if not self.on(active):
                    continue
                if fault.mode in ("addr-stuck", "addr-bridge"):
                    at = bend(fault, at) % region.size
                elif fault.mode in ("write-lost", "dead"):
                    lost = True
                elif fault.mode == "pin-open":
                    value = (value & ~fault.mask) | (floating & fault.mask)
                elif fault.mode == "bridge":
                    value = bridged(fault, value)
            if lost:
                continue
            old = cells[at]
            cells[at] = (old & ~mask) | (value & mask)
            for fault, active in faults:
                if fault.mode == "coupled" and at == fault.cell and self.on(active) and fault.other is not None:
                    if (old ^ value) & value & fault.mask:  # a rising bit drags its neighbour along
                        cells[fault.other] = (cells[fault.other] & ~fault.mask) | (fault.mask * fault.level)
                elif fault.mode in ("leaky", "cell-leaky"):
                    self.written[region.name][at] = now

    def fetch(self, region: Region, offset: int, now: float) -> tuple[int, int, int]:
        """A row's answer: value, lanes driven, lanes that come too late."""
        value, driven, late = 0, 0, 0
        cells = self.cells[region.name]
        for mask, faults in self.chips[region.name]:
            at, drives = offset, mask
            live = [fault for fault, active in faults if self.on(active)]
            for fault in live:
                if fault.mode in ("addr-stuck", "addr-bridge"):
                    at = bend(fault, at) % region.size
            for fault in live:
                if fault.mode == "leaky" or (fault.mode == "cell-leaky" and at == fault.cell):
                    since = now - self.written[region.name].get(at, now)
                    if since > fault.age_ns * (0.7 + 0.6 * ((at * 2654435761) % 997) / 997):
                        cells[at] = (cells[at] & ~fault.mask) | (fault.mask if fault.level else 0)
            part = cells[at] & mask
            for fault in live:
                bits = fault.mask & mask
                if holds(fault, at):
                    part = (part & ~bits) | (bits if fault.level else 0)
                elif fault.mode == "bridge":
                    part = bridged(fault, part)
                elif fault.mode == "pin-open":
                    drives &= ~bits
                elif fault.mode == "dead":
                    drives = 0
                elif fault.mode == "slow":
                    late |= bits
            value |= part & drives
            driven |= drives
        return value, driven, late

    # -- one access -------------------------------------------------------------------------------

    def access(self, kind: str, address: int, data: int, now: float) -> Cycle:
        """Runs one access and says how it went over the bus."""
        self.rows = ()
        for overlay in self.overlays:
            overlay.tick(self, now)
        writes = kind in ("write", "dma-write")
        space = kind in ("in", "out")
        if writes or kind == "out":
            before = self.bus
            kept = False
            for overlay in self.overlays:
                kept = overlay.write(self, kind, address, data, now) or kept
            if not kept and not space:
                self._write(address, data, now)
            elif not space:
                self.selected(self.pages.get(address >> 6), address)
            self.bus = data
            self.index += 1
            return Cycle(kind, address, data, before=before, eventual=data, rows=self.rows)
        before = address & 0xFF if self.card.bus == "8085" else self.bus
        given: int | None = None
        for overlay in self.overlays:
            one = overlay.read(self, kind, address, now)
            given = one if one is not None else given
        if given is not None or space:
            value, driven, late = (given if given is not None else 0xFF), 0xFF if given is not None else 0, 0
            if not space:
                self.selected(self.pages.get(address >> 6), address)
            if given is None:
                value = 0xFF if self.card.pulled_up else before
        else:
            value, driven, late = self._read(address, now, before)
        taken = value
        if late:
            level = 0xFF if self.card.pulled_up else before
            taken = (value & ~late) | (level & late)
        self.bus = value
        self.index += 1
        return Cycle(kind, address, taken, before=before, eventual=value, driven=driven, rows=self.rows)

    def _write(self, address: int, data: int, now: float) -> None:
        region = self.pages.get(address >> 6)
        rows = self.selected(region, address)
        value = data
        if region is not None and region.buffered:
            for fault, active in self.path:
                if fault.scope != "buffer" or not self.on(active):
                    continue
                if fault.mode == "dir-out" or fault.mode == "buf-open":
                    bits = 0xFF if fault.mode == "dir-out" else fault.mask
                    level = 0xFF if self.card.card_high else self.side
                    value = (value & ~bits) | (level & bits)
                elif fault.mode == "buf-write-stuck":
                    value = (value & ~fault.mask) | (fault.mask if fault.level else 0)
                elif fault.mode == "buf-bridge":
                    value = bridged(fault, value)
            self.side = value
        lost = {name for fault, active in self.path if fault.mode == "write-lost" and self.on(active)
                for name in fault.regions}
        for row, offset in rows:
            if row.name in lost:
                continue
            self.store(row, offset, value, now, 0xFF if self.card.card_high else self.side)

    def _read(self, address: int, now: float, before: int) -> tuple[int, int, int]:
        region = self.pages.get(address >> 6)
        idle = 0xFF if self.card.pulled_up else before
        if region is None:
            return idle, 0, 0
        value, driven, late = 0xFF, 0, 0
        for row, offset in self.selected(region, address):
            one, drives, slow = self.fetch(row, offset, now)
            value &= one | (~drives & 0xFF)  # where two drive, low wins
            driven |= drives
            late |= slow
        if not region.buffered:
            return (value & driven) | (idle & ~driven), driven, late
        level = 0xFF if self.card.card_high else self.side
        value = (value & driven) | (level & ~driven)
        if late:  # the driver passes on what stood on its card side
            value = (value & ~late) | (level & late)
            late = 0
        self.side = value
        out = 0xFF
        for fault, active in self.path:
            if fault.scope != "buffer" or not self.on(active):
                continue
            if fault.mode == "buf-stuck":
                value = (value & ~fault.mask) | (fault.mask if fault.level else 0)
            elif fault.mode == "buf-bridge":
                value = bridged(fault, value)
            elif fault.mode == "dir-in":
                out = 0
            elif fault.mode == "buf-open":
                out &= ~fault.mask
        return (value & out) | (idle & ~out & 0xFF), out, late


def bend(fault: Fault, offset: int) -> int:
    """What the pins show of an address through a broken line."""
    if fault.mode == "addr-stuck":
        for line in fault.lines:
            offset = offset | (1 << line) if fault.level else offset & ~(1 << line)
        return offset
    first, second = fault.lines
    both = (offset >> first) & (offset >> second) & 1  # low wins
    return (offset & ~((1 << first) | (1 << second))) | (both << first) | (both << second)


def bridged(fault: Fault, value: int) -> int:
    """Two lanes shorted: low wins."""
    return value if value & fault.mask == fault.mask else value & ~fault.mask


def holds(fault: Fault, at: int) -> bool:
    """Whether this cell's output is held at a level: all cells, one, or a row of them."""
    if fault.mode == "row":
        return fault.other is not None and at & fault.other == fault.cell
    return fault.mode == "out-stuck" or (fault.mode == "cell-stuck" and at == fault.cell)
