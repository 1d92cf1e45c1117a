"""Ordinary programs to propose a wiring from, run on CPU emulators that others wrote (py65, z80).

A program clears and fills memory, polls a port, copies tables and strings, counts, pushes, pops and calls subroutines
that call others, all drawn at random; each is the machine code of its family. Nothing of it is made for wiring.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

import z80
from py65.devices.mpu6502 import MPU

__all__ = ["Map", "draw_map", "run_6502", "run_z80"]


@dataclass(frozen=True)
class Map:
    """A card's memory: start and size of ROM and RAM, and the address of an I/O page or None (ports)."""

    rom: int
    rom_size: int
    ram: int
    ram_size: int
    io: int | None

    def selects(self):
        """name → (first, last) address that asserts it."""
        found = {
            "ROMCS": (self.rom, self.rom + self.rom_size - 1),
            "RAMCS": (self.ram, self.ram + self.ram_size - 1),
        }
        return found | ({} if self.io is None else {"IOCS": (self.io, self.io + 0xFF)})


def draw_map(dice, rom_on_top, ports, ram_at_zero):
    """Sizes and places that 8-bit cards have: 4-16 K of ROM, 1-8 K of RAM."""
    rom_size, ram_size = 1024 * dice.choice([4, 8, 8, 16]), 1024 * dice.choice([1, 2, 4, 8])
    rom = 0x10000 - rom_size if rom_on_top else 0
    if ram_at_zero:
        ram = 0
    elif rom_on_top:
        ram = dice.randrange(0, 0x8000, ram_size)
    else:
        ram = dice.randrange(0x4000, 0x10000, ram_size)
    free = [page for page in range(0x2000, 0x10000, 0x400) if not rom <= page < rom + rom_size]
    free = [page for page in free if not ram <= page < ram + ram_size]
    return Map(rom, rom_size, ram, ram_size, None if ports else dice.choice(free))


class _Ports:
    """A status that is ready every few polls, and data that are text now and then."""

    def __init__(self, dice):
        self.dice = dice

    def read(self):
        return self.dice.choice([0, 0x80, self.dice.randrange(256), self.dice.choice(b"THE QUICK BROWN FOX 0123\r")])


def _text(dice):
    return bytes(dice.choice(b"etaoin shrdluETAOIN SHRDLU0123456789.,:") for _ in range(dice.randrange(5, 20))) + b"\0"


def _fill_tables(dice, memory, low, high):
    """Tables, texts and a few vectors in the last third of the ROM; their starts and lengths."""
    tables, at = [], low
    while at < high - 80:
        shape = dice.randrange(3)
        if shape == 0:
            body = _text(dice)
        elif shape == 1:
            body = dice.randbytes(dice.randrange(8, 40))
        else:
            body = bytes(range(dice.randrange(100), dice.randrange(120, 140)))
        memory[at : at + len(body)] = body
        tables.append((at, len(body)))
        at += len(body)
    return tables


def _lay_out(dice, memory, card, fragment, call, back, jump, start_code):
    """Subroutines in the ROM, each calling some before it, then a main loop; returns the start address."""
    at = card.rom + (0x40 if card.rom == 0 else 0)
    tables = _fill_tables(dice, memory, card.rom + card.rom_size * 2 // 3, card.rom + card.rom_size - 16)
    routines: list[int] = []
    end = card.rom + card.rom_size * 2 // 3 - 500
    share = max(1, (end - at) // dice.randrange(10, 40))
    while at < end:
        start = at
        for _ in range(dice.randrange(2, 8)):
            body = fragment(at, tables) if not routines or dice.random() < 0.75 else call(dice.choice(routines[-6:]))
            memory[at : at + len(body)] = body
            at += len(body)
        memory[at : at + len(back)] = back
        at += len(back)
        routines.append(start)
        at = max(at, min(end, start + dice.randrange(share))) if dice.random() < 0.3 else at
    entry = at
    memory[at : at + len(start_code)] = start_code
    at += len(start_code)
    loop = at
    for routine in dice.choices(routines, k=min(40, (card.rom + card.rom_size * 2 // 3 - at - 8) // 3)):
        body = call(routine)
        memory[at : at + len(body)] = body
        at += len(body)
    memory[at : at + 3] = jump(loop)
    return entry


def _two(value):
    return bytes([value & 255, value >> 8])


class _Memory:
    """64 K that writes down every access; an I/O page answers by itself, ROM keeps what it has."""

    def __init__(self, card, ports, start):
        self.bytes, self.log, self.card, self.ports, self.start = bytearray(65536), [], card, ports, start

    def __len__(self):
        return 65536

    def __getitem__(self, address):
        io = self.card.io is not None and self.card.io <= address < self.card.io + 256
        value = self.ports.read() if io else self.bytes[address]
        self.log.append(("read", address, value))
        return value

    def __setitem__(self, address, value):
        self.log.append(("write", address, value & 0xFF))
        if self.card.ram <= address < self.card.ram + self.card.ram_size:
            self.bytes[address] = value & 0xFF


def run_6502(seed, accesses):
    """(card, log of (kind, address, data)) of a random program on py65; RAM at 0, ROM on top, one I/O page."""
    dice = random.Random(seed)
    card = draw_map(dice, rom_on_top=True, ports=False, ram_at_zero=True)
    memory = _Memory(card, _Ports(dice), 0)

    def var():
        return _two(dice.randrange(0x200, card.ram_size))

    def fragment(at, tables):
        near = dice.randrange(0x10, 0xF0)
        where, length = dice.choice(tables)
        n, io = min(length, dice.randrange(2, 24)), _two(card.io + dice.randrange(4))
        shapes = [
            b"\xad" + var() + b"\x18\x69" + dice.randbytes(1) + b"\x8d" + var(),
            b"\xa5" + bytes([near]) + b"\xc9" + dice.randbytes(1) + b"\xd0\x02\xe6" + bytes([near]),
            b"\xa9" + dice.randbytes(1) + b"\x85" + bytes([near]) + b"\xee" + var(),
            b"\xa2" + bytes([n]) + b"\xbd" + _two(where) + b"\x9d" + _two(card.ram + 0x200 + near) + b"\xca\x10\xf7",
            b"\xa0\x00\xb9" + _two(where) + b"\xf0\x06\x99" + _two(card.ram + 0x300) + b"\xc8\xd0\xf5",
            bytes([0xA9, where & 255, 0x85, 2, 0xA9, where >> 8, 0x85, 3, 0xA0, n, 0xB1, 2, 0x45, 4, 0x85, 4])
            + b"\x88\xd0\xf7",
            b"\xad" + io + b"\x29" + dice.choice([b"\x80", b"\x01", b"\x40"]) + b"\xf0\xf9\xad" + io + b"\x8d" + var(),
            b"\xad" + var() + b"\x8d" + io,
            b"\x48\xa5" + bytes([near]) + b"\x0a\x45" + bytes([near]) + b"\x85" + bytes([near ^ 1]) + b"\x68",
        ]
        return dice.choice(shapes)

    pages = min(2, card.ram_size // 256 - 2)
    clear = bytes([0xA2, 0xFF, 0x9A, 0xA9, 0, 0x85, 0, 0xA9, 2, 0x85, 1, 0xA2, pages, 0xA0, 0, 0xA9, 0])
    clear += bytes([0x91, 0, 0xC8, 0xD0, 0xFB, 0xE6, 1, 0xCA, 0xD0, 0xF6])
    entry = _lay_out(
        dice, memory.bytes, card, fragment, lambda to: b"\x20" + _two(to), b"\x60", lambda to: b"\x4c" + _two(to), clear
    )
    cpu = MPU(memory=memory, pc=entry)
    skip = dice.choice([0, 10_000, 30_000])
    log: list[tuple[str, int, int]] = []
    while len(log) < skip + accesses:
        memory.log.clear()
        stack = cpu.sp
        cpu.step()
        log += _every_cycle(list(memory.log), memory.bytes, stack, cpu.pc)
    return card, log[skip : skip + accesses]


def _every_cycle(done, memory, stack, after):
    """The cycles py65 leaves out or does in another order: MCS6500 Hardware Manual, appendix A, from memory."""
    opcode, at = done[0][2], done[0][1]
    first = ("opcode-fetch", at, opcode)
    dummy = ("read", at + 1 & 0xFFFF, memory[at + 1 & 0xFFFF])
    top = ("read", 0x100 | stack, memory[0x100 | stack])
    if opcode == 0x20:  # JSR: low byte, the stack looked at, both pushes, high byte
        low, high, *pushes = done[1:]
        return [first, low, top, *pushes, high]
    if opcode == 0x60:  # RTS: the next byte, the stack looked at, both pulls, the last byte of the call
        return [first, dummy, top, *done[1:], ("read", after - 1, memory[after - 1])]
    if opcode in (0x48, 0x68):  # PHA, PLA
        return [first, dummy, *([top] if opcode == 0x68 else []), *done[1:]]
    if opcode in (0xEE, 0xE6):  # INC: what was read is written back before the new value
        return [first, *done[1:-1], ("write", *done[-2][1:]), done[-1]]
    return [first, *done[1:]] if len(done) > 1 else [first, dummy]


def _fragments_8080(dice, card, is_z80):
    def var():
        return _two(dice.randrange(card.ram, card.ram + card.ram_size - 128))

    def fragment(at, tables):
        where, length = dice.choice(tables)
        n, port = min(length, dice.randrange(2, 24)), bytes([dice.randrange(256)])
        mask = dice.choice([b"\x80", b"\x01", b"\x40"])
        # Rooms at the front of RAM are copied to; variables may lie there too, as they do.
        to = _two(card.ram + dice.randrange(card.ram_size // 2))
        shapes = [
            b"\x3a" + var() + b"\xc6" + dice.randbytes(1) + b"\x32" + var(),  # LDA; ADI; STA
            b"\x21" + var() + b"\x34\x7e\xfe" + dice.randbytes(1) + b"\xca" + _two(at + 11) + b"\x35\x77",
            b"\x21" + _two(where) + b"\x11" + to + b"\x06" + bytes([n]) + b"\x7e\x12\x23\x13\x05\xc2" + _two(at + 8),
            b"\x21" + _two(where) + b"\x11" + to + b"\x7e\x12\xb7\x23\x13\xc2" + _two(at + 6),
            b"\xdb" + port + b"\xe6" + mask + b"\xca" + _two(at) + b"\xdb" + port + b"\x32" + var(),
            b"\x3a" + var() + b"\xd3" + port,
            b"\xe5\xc5\x2a" + var() + b"\x23\x22" + var() + b"\xc1\xe1",
            b"\x0e" + dice.randbytes(1) + b"\x79\x87\x81\x32" + var(),
        ]
        if is_z80:
            shapes += [
                b"\x21" + _two(where) + b"\x11" + to + b"\x01" + bytes([n, 0]) + b"\xed\xb0",  # LDIR
                b"\x06" + bytes([n]) + b"\x21" + _two(where) + b"\x86\x23\x10\xfc\x32" + var(),  # DJNZ
                b"\xdd\x21" + var() + b"\xdd\x7e" + bytes([dice.randrange(100)]) + b"\xdd\x77\x05\xcb\x27\x38\x01\x3c",
            ]
        return dice.choice(shapes)

    return fragment


def run_z80(seed, accesses, is_z80=True):
    """(card, log) of a random program on the z80 package's Z80 or 8080; ROM at 0, RAM above, ports."""
    dice = random.Random(seed)
    card = draw_map(dice, rom_on_top=False, ports=True, ram_at_zero=False)
    memory, log, ports = bytearray(65536), [], _Ports(dice)
    top = card.ram + card.ram_size
    start = b"\x31" + _two(top & 0xFFFF or 0xFFFE) + b"\x21" + _two(card.ram)
    loop_at = card.rom  # patched below: the clearing loop's own address is not known yet
    clear = start + b"\x36\x00\x23\x7c\xfe" + bytes([(card.ram >> 8) + 2]) + b"\xc2" + _two(loop_at)
    fragment = _fragments_8080(dice, card, is_z80)
    entry = _lay_out(
        dice, memory, card, fragment, lambda to: b"\xcd" + _two(to), b"\xc9", lambda to: b"\xc3" + _two(to), clear
    )
    memory[entry + len(clear) - 2 : entry + len(clear)] = _two(entry + 6)
    memory[0:3] = b"\xc3" + _two(entry)

    def read(address):
        log.append(("read", address, memory[address]))
        return memory[address]

    def write(address, value):
        log.append(("write", address, value))
        if card.ram <= address < top:
            memory[address] = value

    def port_in(address):
        value = ports.read()
        log.append(("io-read", address, value))
        return value

    machine = z80.Z80Machine() if is_z80 else z80.I8080Machine()
    machine.mark_addrs(0, 0x10000, machine.READ_MARK | machine.WRITE_MARK)
    machine.set_memory_block(0, bytes(memory))
    machine.set_read_callback(read)
    machine.set_write_callback(write)
    machine.set_input_callback(port_in)
    machine.set_output_callback(lambda address, value: log.append(("io-write", address, value)))
    skip = dice.choice([0, 10_000, 30_000])
    prefixed = False
    while len(log) < skip + accesses:
        first = len(log)
        machine.ticks_to_stop = 1
        machine.run()
        # Z80 CPU User Manual: the byte after CB or ED is fetched with M1, the one after DD CB d is not.
        count = 2 if is_z80 and log[first][2] in (0xCB, 0xED) and not prefixed else 1
        prefixed = is_z80 and log[first][2] in (0xDD, 0xFD)
        for n in range(first, first + count):
            log[n] = ("opcode-fetch", *log[n][1:])
    return card, log[skip : skip + accesses]
