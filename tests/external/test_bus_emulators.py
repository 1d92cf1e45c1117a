"""Programs run on CPU emulators that others wrote; their memory accesses, turned into pins as the data sheets'
diagrams show them, must come back access for access from an asynchronous capture.

Executors: py65 (6502) and the ``z80`` package (Z80 and 8080). They know nothing of pins; the writers below follow
the diagrams named in each, not our profiles.
"""

from __future__ import annotations

import numpy as np
import pytest
import z80
from py65.devices.mpu6502 import MPU

from busledger.decoder.bus import Flag, Kind
from tests.external.waveform import Wave, told

SAMPLE_NS = 1000 / 24


class _Logged:
    """64 K of memory that writes down every access."""

    def __init__(self, image, start):
        self.bytes = bytearray(65536)
        self.bytes[start : start + len(image)] = image
        self.log = []

    def __len__(self):
        return 65536

    def __getitem__(self, address):
        self.log.append(("read", address, self.bytes[address]))
        return self.bytes[address]

    def __setitem__(self, address, value):
        self.log.append(("write", address, value & 0xFF))
        self.bytes[address] = value & 0xFF


# Fill a page, add it up, leave the sum by way of the stack: loads, stores, read-modify-write, calls.
PROGRAM_6502 = bytes.fromhex(
    "A2FF 9A A200 8A 4955 9D0003 E8 D0F7 A900 A200 18 7D0003 E8 D0F9 48 200006 68 EE1000 4C1502".replace(" ", "")
)


def accesses_6502(steps):
    memory = _Logged(PROGRAM_6502, 0x0200)
    memory.bytes[0x0600:0x0603] = bytes.fromhex("850F60")
    cpu = MPU(memory=memory, pc=0x0200)
    for _ in range(steps):
        cpu.step()
    return memory.log


def pins_6502(log):
    """MCS6500 data sheet (May 1976), figures "Timing for Reading / Writing Data": address and R/W settle TADS after
    phase 2 falls, read data is there TDSU before it falls again, write data from TMDS after it rises."""
    wave = Wave().idle(PHI2=1, RW=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n, (kind, address, data) in enumerate(log):
        start = 700 + 1000 * n
        wave.put(start, "PHI2", 0).put(start + 500, "PHI2", 1)
        wave.put(start + 140, "A0-A15", address).put(start + 130, "RW", int(kind == "read"))
        wave.put(start + (640 if kind == "write" else 760), "D0-D7", data)
        if kind == "write":
            wave.put(start + 1060, "D0-D7", 0xFF)
    return wave.put(700 + 1000 * len(log), "PHI2", 0)


def test_6502_program_on_py65():
    log = accesses_6502(2000)
    assert {kind for kind, _, _ in log} == {"read", "write"}
    cycles, extractor = pins_6502(log).decode("6502", SAMPLE_NS, seed=3)
    assert told(cycles)[1:] == log  # the first cycle is the one the drawing begins in
    assert extractor.rejected == 0
    assert extractor.notes == []


# Block moves, calls, bit operations through IX, ports.
PROGRAM_Z80 = bytes.fromhex(
    "310050 210040 0680 70 23 10FC 210040 110041 014000 EDB0DD211040 DDCB02C6 DD7E02 D310 DB11 CD3000 CB27 18FE"
)
PROGRAM_8080 = bytes.fromhex("310050 210040 0680 70 23 05 C20800 3A1040 D310 DB11 E5 CD3000 D1 C30000")


def accesses_z80(machine, program, steps, has_prefixes):
    memory = bytearray(65536)
    memory[: len(program)] = program
    memory[0x30:0x32] = b"\x34\xc9"  # INC (HL); RET
    log = []

    def read(address):
        log.append(("read", address, memory[address]))
        return memory[address]

    def write(address, value):
        log.append(("write", address, value))
        memory[address] = value

    def port_in(address):
        log.append(("io-read", address, 0xA5))
        return 0xA5

    machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
    machine.set_memory_block(0, bytes(memory))
    machine.set_read_callback(read)
    machine.set_write_callback(write)
    machine.set_input_callback(port_in)
    machine.set_output_callback(lambda address, value: log.append(("io-write", address, value)))
    prefixed = False
    for _ in range(steps):
        first = len(log)
        machine.ticks_to_stop = 1
        machine.run()
        fetched = 1
        # Z80 CPU User Manual: the byte after CB or ED is fetched with M1, the one after DD CB d is not.
        if has_prefixes and log[first][2] in (0xCB, 0xED) and not prefixed:
            fetched = 2
        prefixed = has_prefixes and log[first][2] in (0xDD, 0xFD)
        for n in range(first, first + fetched):
            log[n] = ("opcode-fetch", *log[n][1:])
    return log


def pins_z80(log, tc, late_ns=100):
    """Z80 CPU User Manual, figures "Instruction Op Code Fetch", "Memory Read or Write", "Input or Output Cycles";
    delays well inside the A.C. table of the Product Specification (March 1978); opcodes come ``late_ns`` before T3."""
    wave = Wave().idle(MREQ=1, IORQ=1, RD=1, WR=1, M1=1, RFSH=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    now, refresh = 400.0, 0
    for kind, address, data in log:
        wave.put(now + 60, "A0-A15", address)
        if kind == "opcode-fetch":
            wave.put(now + 50, "M1", 0).put(now + 2 * tc + 55, "M1", 1)
            wave.pulse("MREQ", now + tc / 2 + 40, now + 2 * tc + 45)
            wave.pulse("RD", now + tc / 2 + 45, now + 2 * tc + 50)
            wave.put(now + 2 * tc - late_ns, "D0-D7", data)
            wave.put(now + 2 * tc + 70, "A0-A15", refresh)
            wave.put(now + 2 * tc + 60, "RFSH", 0).put(now + 4 * tc + 40, "RFSH", 1)
            wave.pulse("MREQ", now + 2.5 * tc + 40, now + 3.5 * tc + 40)
            refresh = (refresh + 1) & 0x7F
            now += 4 * tc
        elif kind in ("read", "write"):
            wave.pulse("MREQ", now + tc / 2 + 40, now + 2.5 * tc + 45)
            if kind == "read":
                wave.pulse("RD", now + tc / 2 + 45, now + 2.5 * tc + 50)
                wave.put(now + 2.5 * tc - 70, "D0-D7", data)
            else:
                wave.put(now + tc / 2 + 70, "D0-D7", data)
                wave.pulse("WR", now + 1.5 * tc + 40, now + 2.5 * tc + 40)
            now += 3 * tc
        else:
            line = "RD" if kind == "io-read" else "WR"
            wave.pulse("IORQ", now + tc + 35, now + 3.5 * tc + 40)
            wave.pulse(line, now + tc + 40, now + 3.5 * tc + 45)
            wave.put(now + (3.5 * tc - 70 if kind == "io-read" else tc / 2 + 80), "D0-D7", data)
            now += 4 * tc
    return wave


@pytest.mark.parametrize("seed", [1, 2])
def test_z80_program_on_the_z80_package(seed):
    log = accesses_z80(z80.Z80Machine(), PROGRAM_Z80, 1200, has_prefixes=True)
    assert {kind for kind, _, _ in log} == {"opcode-fetch", "read", "write", "io-read", "io-write"}
    cycles, extractor = pins_z80(log, 400).decode("z80", SAMPLE_NS, seed)
    rows = told(cycles)
    assert [row for row in rows if row[0] != "refresh"] == log
    fetches = sum(1 for kind, _, _ in log if kind == "opcode-fetch")
    assert [row[1] for row in rows if row[0] == "refresh"] == [n & 0x7F for n in range(fetches)]
    assert extractor.rejected == 0


def kept_flags(cycles):
    """Flags as numbers of all cycles."""
    return cycles.flags.astype(int)


@pytest.mark.parametrize("seed", range(6))
def test_data_too_late_for_the_sample_rate_is_doubted_and_never_wrong(seed):
    """Opcodes 55 ns before the rising edge of T3 are legal (tS(D) 50) but leave no room for two samples of 41.7 ns."""
    log = accesses_z80(z80.Z80Machine(), PROGRAM_Z80, 300, has_prefixes=True)
    cycles, extractor = pins_z80(log, 400, late_ns=55).decode("z80", SAMPLE_NS, seed)
    assert {note.code for note in extractor.notes} <= {"sample-rate"}
    doubted = ((kept_flags(cycles) & int(Flag.UNSETTLED)) != 0).mean() > 0.01
    assert bool(extractor.notes) == bool(doubted)
    kept = cycles.take(cycles.kind != Kind.REFRESH)
    wanted = np.array([data for _, _, data in log], np.uint32)
    sure = ~kept.data_unknown & 0xFF
    assert not ((kept.data ^ wanted) & sure).any()
    assert ((sure != 0xFF) == ((kept.flags & Flag.UNSETTLED) != 0)).all()
    assert (sure == 0xFF).mean() > 0.8


def pins_8080(log, clock=480):
    """8080 User's Manual (98-153B), figure "Basic 8080 Instruction Cycle", and Table 4-1 of the status bits; a machine
    cycle of four clocks, delays inside the A.C. table (tDA 200, tDD 220, tDC 120, tDF 140)."""
    status_of = {"opcode-fetch": 0xA2, "read": 0x82, "write": 0x00, "io-read": 0x42, "io-write": 0x10}
    wave = Wave().idle(SYNC=0, DBIN=0, WR=1).put(0, "A0-A15", 0).put(0, "D0-D7", 0)
    for n, (kind, address, data) in enumerate(log):
        start = 200 + 4 * clock * n
        if kind.startswith("io"):
            address = address << 8 | address  # the port number is on both halves
        wave.put(start + 200, "A0-A15", address).put(start + 220, "D0-D7", status_of[kind])
        wave.pulse("SYNC", start + 120, start + clock + 120, level=1)
        if kind.endswith(("read", "fetch")):
            wave.pulse("DBIN", start + clock + 140, start + 2 * clock + 140, level=1)
            wave.put(start + 2 * clock - 150, "D0-D7", data).put(start + 2 * clock + 190, "D0-D7", 0xFF)
        else:
            wave.put(start + clock + 220, "D0-D7", data)
            wave.pulse("WR", start + 2 * clock + 120, start + 3 * clock + 120)
    return wave


def test_8080_program_on_the_z80_package():
    log = accesses_z80(z80.I8080Machine(), PROGRAM_8080, 1200, has_prefixes=False)
    log = [(kind, address & 0xFF if kind.startswith("io") else address, data) for kind, address, data in log]
    assert {kind for kind, _, _ in log} == {"opcode-fetch", "read", "write", "io-read", "io-write"}
    cycles, extractor = pins_8080(log).decode("8080", SAMPLE_NS, seed=4)
    assert told(cycles) == log
    assert extractor.rejected == 0
