"""Whole machines for tests: an independent processor, memory with a fault, and what a bus and a ledger would show.

The processors are py65 and the ``z80`` package's; memory, fault and ledger are plain Python here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import z80
from py65.devices.mpu6502 import MPU

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.ledger.columns import Compared, Verdict


@dataclass
class Card:
    """64 K of which ``rom`` bytes are known beforehand; ``spoil`` is what a read gives instead of the byte.

    ``past``: what the processor takes instead of what the clips see (address, byte) -> byte.
    """

    rom: dict[int, int]
    outside: range = range(0)
    spoil: object = None
    past: object = None
    log: list = field(default_factory=list)
    held: dict = field(default_factory=dict)

    def read(self, address, kind):
        due = self.held.get(address, self.rom.get(address))
        byte = 0xFF if due is None else due
        if self.spoil is not None:
            byte = self.spoil(address, byte)
        self.log.append((kind, address, byte, due))
        return byte if self.past is None else self.past(address, byte)

    def write(self, address, byte):
        self.log.append((Kind.WRITE, address, byte, None))
        self.held[address] = byte

    def columns(self, first=None):
        """What a bus and the ledger show of the log: ``Cycles`` and ``Compared``."""
        log = self.log if first is None else self.log[:first]
        cycles, compared = Cycles.empty(len(log)), Compared.empty(len(log))
        cycles.time[:] = np.arange(len(log)) * 10
        writer = {}
        for i, (kind, address, byte, due) in enumerate(log):
            cycles.kind[i], cycles.address[i], cycles.data[i] = kind, address, byte
            cycles.region[i] = -1 if address in self.outside else 0
            compared.writer[i] = writer.get(address, -1)
            if kind == Kind.WRITE:
                compared.verdict[i] = Verdict.WRITE
                writer[address] = i
            elif due is None:
                compared.verdict[i] = Verdict.NOT_TAKEN if address in self.outside else Verdict.UNKNOWN
            else:
                compared.expected[i], compared.known[i] = due, 0xFF
                compared.mismatch[i] = due ^ byte
                compared.verdict[i] = Verdict.MISMATCH if due != byte else Verdict.AGREES
        return cycles, compared


def image(*parts):
    """A ROM from (address, hex) pieces."""
    return {at + n: byte for at, text in parts for n, byte in enumerate(bytes.fromhex(text))}


def run_z80(card, steps):
    """``steps`` instructions from address 0; every opcode and prefix byte is an opcode fetch."""
    machine = z80.Z80Machine()
    machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
    fetches = [0]

    def read(address):
        fetching = fetches[0] > 0
        fetches[0] -= 1
        return card.read(address, Kind.OPCODE_FETCH if fetching else Kind.READ)

    machine.set_read_callback(read)
    machine.set_write_callback(card.write)
    machine.pc = 0
    for _ in range(steps):
        fetches[0] = 1
        machine.ticks_to_stop = 1
        machine.run()
    return card


def run_6502(card, steps):
    """The reset vector, then ``steps`` instructions, whose first byte is an opcode fetch (SYNC)."""

    class Memory:
        fetch = False

        def __len__(self):
            return 65536

        def __getitem__(self, address):
            kind, self.fetch = (Kind.OPCODE_FETCH if self.fetch else Kind.READ), False
            return card.read(address, kind)

        def __setitem__(self, address, byte):
            card.write(address, byte & 0xFF)

    memory = Memory()
    low, high = memory[0xFFFC], memory[0xFFFD]
    cpu = MPU(memory=memory, pc=low | high << 8)
    for _ in range(steps):
        memory.fetch = True
        cpu.step()
    return card
