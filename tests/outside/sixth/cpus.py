"""Processors at the card: each access is made on the modelled card, so what a fault does, the program suffers.

Z80 by the z80 package, 6502 by py65, 6800 by `core6800`. What is logged is what went over the bus.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from py65.devices.mpu6502 import MPU
from z80 import Z80Machine

from .card import ACK, DMA_READ, DMA_WRITE, FETCH, IDLE, IO_READ, IO_WRITE, READ, WRITE, Card, Quirk
from .core6800 import Core6800

STATES = {FETCH: 4, READ: 3, WRITE: 3, IO_READ: 4, IO_WRITE: 4, ACK: 7}  # Z80 T states (User Manual pp. 12-17)
RMW = {0xE6, 0xF6, 0xEE, 0xFE, 0xC6, 0xD6, 0xCE, 0xDE, 0x06, 0x16, 0x0E, 0x1E, 0x46, 0x4E, 0x26, 0x2E, 0x66, 0x6E}


@dataclass
class Log:
    """What went over the bus: kind, address, data, idle clocks after it."""

    kind: list[int] = field(default_factory=list)
    address: list[int] = field(default_factory=list)
    data: list[int] = field(default_factory=list)
    sent: list[int] = field(default_factory=list)  # what the processor meant to write, before anything fought it
    extra: list[int] = field(default_factory=list)


class Bus:
    """The processor's side: makes accesses, logs them, stops at the limit."""

    def __init__(self, card: Card, limit: int, quirk: Quirk | None = None) -> None:
        self.card, self.limit, self.log = card, limit, Log()
        self.quirk = quirk
        self.full = False
        self.dma = (0, 0, 0)  # from, to, how many bytes
        card.start()

    def add(self, kind: int, address: int, data: int, sent: int | None = None) -> None:
        """Log an access."""
        log = self.log
        log.kind.append(kind)
        log.address.append(address)
        log.data.append(data)
        log.sent.append(data if sent is None else sent)
        log.extra.append(0)
        self.full = len(log.kind) >= self.limit

    def read(self, address: int, kind: int = READ) -> int:
        """Read memory."""
        if self.full:
            return 0
        log = self.log
        index = len(log.kind)
        value = access(self.card, self.quirk, index, kind, address, 0, log.data[-1] if index else 0xFF)
        self.add(kind, address, value)
        return value

    def write(self, address: int, data: int, kind: int = WRITE) -> None:
        """Write memory."""
        if self.full:
            return
        log = self.log
        index = len(log.kind)
        seen = access(self.card, self.quirk, index, kind, address, data, log.data[-1] if index else 0xFF)
        self.add(kind, address, seen, data)


def access(card: Card, quirk: Quirk | None, index: int, kind: int, address: int, data: int, left: int) -> int:
    """Make one memory access on a card; give the level on the data bus."""
    if quirk is not None:
        quirk.tick(card, index)
    if kind in (WRITE, DMA_WRITE):
        if quirk is not None and not quirk.takes(card, index, address, data):
            return data
        return card.write(index, address, data, left)
    value = card.read(index, address, left)[0]
    return quirk.read(card, index, address, value) if quirk is not None else value


def steal(bus: Bus) -> None:
    """Let another master, whose grant is seen, copy a few bytes: its reads and writes are cycles like any other."""
    source, to, count = bus.dma
    for n in range(count):
        bus.write(to + n, bus.read(source + n, DMA_READ), DMA_WRITE)


def run_z80(bus: Bus, rate: int) -> None:
    """Run a Z80 until the log is full; an interrupt every `rate` instructions (0: none)."""
    m = Z80Machine()
    m.mark_addrs(0, 0x10000, m.READ_MARK | m.WRITE_MARK)
    state = {"m1": True}

    def read(address: int) -> int:
        if state["m1"]:
            value = bus.read(address, FETCH)
            state["m1"] = value in (0xCB, 0xED, 0xDD, 0xFD) and not (value == 0xCB and state.get("index"))
            state["index"] = value in (0xDD, 0xFD)
            return value
        return bus.read(address)

    def port_in(address: int) -> int:
        if not bus.full:
            bus.add(IO_READ, address & 0xFFFF, 0x5A if len(bus.log.kind) & 64 else 0x80)
            return bus.log.data[-1]
        return 0

    def port_out(address: int, value: int) -> None:
        if not bus.full:
            bus.add(IO_WRITE, address & 0xFFFF, value)

    m.set_read_callback(read)
    m.set_write_callback(bus.write)
    m.set_input_callback(port_in)
    m.set_output_callback(port_out)
    turns = 0
    while not bus.full:
        state["m1"], state["index"] = True, False
        before, tick = len(bus.log.kind), m.frame_tick
        m.ticks_to_stop = 1
        m.run()
        if m.halted:
            m.halted = False  # a watchdog wakes it
        spent = (m.frame_tick - tick) & 0xFFFFFFFF
        used = sum(STATES[k] for k in bus.log.kind[before:])
        if len(bus.log.kind) > before and 0 < spent - used < 16:
            bus.log.extra[-1] = spent - used
        turns += 1
        if bus.dma[2] and turns % 700 == 0 and not bus.full:
            steal(bus)
        if rate and turns % rate == 0 and m.iff1 and not bus.full:
            bus.add(ACK, m.pc, 0xFF)
            state["m1"] = False
            m.on_handle_active_int()


class Pages:
    """Memory as py65 wants it: a thing to index."""

    def __init__(self, bus: Bus) -> None:
        self.bus, self.first, self.opcode, self.held = bus, True, 0, (-1, 0)

    def __getitem__(self, address: int) -> int:
        address &= 0xFFFF
        if self.first:
            self.first = False
            self.opcode = self.bus.read(address, FETCH)
            return self.opcode
        value = self.bus.read(address)
        self.held = (address, value)
        return value

    def __setitem__(self, address: int, value: int) -> None:
        address &= 0xFFFF
        if self.opcode in RMW and self.held[0] == address:
            self.bus.write(address, self.held[1])  # an NMOS part writes the old value first
        self.bus.write(address, value & 0xFF)


def run_6502(bus: Bus, rate: int) -> None:
    """Run a 6502 until the log is full; cycles that py65 does not make read the next opcode, as true reads."""
    pages = Pages(bus)
    m = MPU(memory=pages, pc=0)
    pages.first = False
    m.pc = bus.read(0xFFFC) | bus.read(0xFFFD) << 8
    m.p = 0x34
    turns = 0
    while not bus.full:
        pages.first, pages.held = True, (-1, 0)
        before, cycles = len(bus.log.kind), m.processorCycles
        m.step()
        for _ in range(min(4, m.processorCycles - cycles - (len(bus.log.kind) - before))):
            bus.read(m.pc)
        turns += 1
        if rate and turns % rate == 0 and not m.p & 4 and not bus.full:
            pages.first = False
            pages.opcode = 0
            bus.read(m.pc, FETCH)
            m.irq()


def run_6800(bus: Bus, rate: int) -> None:
    """Run a 6800 until the log is full."""

    def idle(address: int) -> None:
        if not bus.full:
            bus.add(IDLE, address & 0xFFFF, bus.log.data[-1] if bus.log.data else 0xFF)

    m = Core6800(bus.read, bus.write, idle)
    m.pc = bus.read(0xFFFE) << 8 | bus.read(0xFFFF)
    turns = 0
    while not bus.full:
        m.step()
        turns += 1
        if rate and turns % rate == 0 and not bus.full:
            m.interrupt()


RUNNERS = {"z80": run_z80, "6502": run_6502, "6800": run_6800}
