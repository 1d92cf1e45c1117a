"""Healthy machines whose memory is not the plain memory that one takes it for."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence

from tests.outside.fifth import applications, doings, programs
from tests.outside.fifth.cards import image
from tests.outside.fifth.case import Setup
from tests.outside.fifth.engine import Interrupts, Trace
from tests.outside.fifth.overlays import Banked, Covered, Mirror, OtherMaster, PowerDip, Protected, Registers, SlowWrite
from tests.outside.fifth.programs import Cpu, Program
from tests.outside.fifth.scenario import Scenario, plain


def no_board(setup: Setup, trace: Trace) -> None:
    """Nobody wrote a board file."""
    setup.board = False


def woven(base: Iterator[Program], other: Sequence[Program] | Iterator[Program]) -> Iterator[Program]:
    """Two kinds of program by turns."""
    for one, two in zip(base, other, strict=False):
        yield one
        yield two


def mixed(made: Scenario, cpu: Cpu, extra: Iterator[Program], room: int = 150) -> Iterator[Program]:
    """Ordinary programs, and those of `extra` in between."""
    return woven(doings.busy(made.place, cpu, made.place.card.rams(), room), extra)


def polls(cpu: Cpu, base: int, writes: Sequence[int], reads: Sequence[int], turns: int) -> Program:
    """A driver: writes some registers, reads some, with a loop of waiting."""
    for _ in range(turns):
        for register in writes:
            yield from cpu.code.step(1)
            yield ("W", base + register, cpu.draw.randrange(256))
        top = cpu.code.pc
        for _ in range(cpu.draw.randint(1, 6)):
            for register in reads:
                cpu.code.pc = top
                yield from cpu.code.step(1)
                yield ("R", base + register)


def spot(draw: random.Random, made: Scenario, size: int) -> int:
    """Room of `size` addresses in the last row of RAM, away from the stack."""
    region = made.place.card.rams()[-1]
    start, span = doings.usable(made.place, region)
    at = (start + draw.randrange(span - size)) // size * size
    return at if at >= start else at + size


def device(draw: random.Random) -> Scenario:
    """A device sits in the addresses, and no board file says so."""
    which = draw.choice(["keyboard", "timer", "uart", "clock", "floating-point unit"])
    made = plain(draw, f"{which} in the memory map, no board file", tweak=no_board,
                 rival=["device", "shared", "read-only", "nothing"])
    base = {"z80": 0x9000, "8085": 0x9000, "6502": 0xD000, "6800": 0x8010, "6809": 0xA000}[made.place.card.bus]
    pressed = [draw.randrange(256) for _ in range(8)]
    fifo = random.Random(draw.random())

    def answer(register: int, written: int, now: float) -> int:
        if which == "keyboard":
            rows = 0xFF
            for column in range(8):
                if not written >> column & 1 and (now // 3e6) % 2:
                    rows &= pressed[column]
            return rows if register else written | 0xF0
        if which == "timer":
            count = int(65535 - now / made.timing.clock_ns) & 0xFFFF
            if register % 8 in (4, 5):
                return count >> (8 * (register % 8 - 4)) & 0xFF
            return written
        if which == "uart":
            return (0x02 if int(now / 70e3) % 3 else 0x83) if register % 2 == 0 else fifo.randrange(32, 127)
        if which == "clock":
            tens: int = int(now / 1e5) // (1, 6, 36, 216)[register % 4] % 60
            return tens % 10 | tens // 10 << 4
        return fifo.randrange(256)

    size = {"keyboard": 2, "timer": 16, "uart": 2, "clock": 16, "floating-point unit": 2}[which]
    made.overlays = [Registers(base, base + size - 1, answer)]
    writes = [0] if which in ("keyboard", "uart", "floating-point unit") else list(range(0, size, 2))
    reads = {"keyboard": [1, 0], "uart": [0, 1], "floating-point unit": [1, 0]}.get(which, list(range(size)))

    def sitting(cpu: Cpu) -> Iterator[Program]:
        put = [1] if which == "uart" else writes
        return mixed(made, cpu, (polls(cpu, base, put, reads, 3) for _ in range(999)), 90)

    made.programs = sitting
    return made


def mailbox(draw: random.Random) -> Scenario:
    """A second processor writes some cells of a two-port memory."""
    made = plain(draw, "mailbox of a second processor in ram", rival=["shared", "device", "banked"])
    base = spot(draw, made, 16)
    made.overlays = [OtherMaster(base, base + 15, every=draw.uniform(3e5, 9e5), run=draw.choice([1, 2, 4]),
                                 seed=draw.getrandbits(20))]

    def post(cpu: Cpu) -> Program:
        for i in range(16):
            yield from cpu.code.step(1)
            yield ("W", base + i, cpu.draw.randrange(256))
        for _ in range(6):
            for i in range(16):
                yield from cpu.code.step(1)
                yield ("R", base + i)

    made.programs = lambda cpu: mixed(made, cpu, (post(cpu) for _ in range(999)))
    return made


def sector_buffer(draw: random.Random) -> Scenario:
    """A floppy controller has its own path into a sector buffer."""
    made = plain(draw, "sector buffer filled by its controller", rival=["shared", "banked", "contents-lost"])
    base = spot(draw, made, 128)
    text = random.Random(draw.random())
    made.overlays = [OtherMaster(base, base + 127, every=draw.uniform(2e6, 4e6), run=128, seed=draw.getrandbits(20),
                                 fill=lambda d: text.choice(b"FILE NAME    0123456789ABCDEF\xe5\xe5\xe5"))]

    def sector(cpu: Cpu) -> Program:
        yield from programs.fill_and_check(cpu, range(base, base + 128), programs.scattered, 1)
        yield from applications.search(cpu, base, 128, 2)

    made.programs = lambda cpu: mixed(made, cpu, (sector(cpu) for _ in range(999)))
    made.budget = 16000
    return made


def screen(draw: random.Random) -> Scenario:
    """A terminal card with its own processor writes times and counts into the screen that the main one fills."""
    made = plain(draw, "screen memory that the terminal card writes too", rival=["shared", "banked", "device"])
    base = spot(draw, made, 128)
    made.overlays = [OtherMaster(base, base + 127, every=draw.uniform(8e5, 2e6), run=16, seed=draw.getrandbits(20),
                                 fill=lambda d: d.choice(b"0123456789:"))]  # its own status line
    made.programs = lambda cpu: mixed(made, cpu, (applications.scroll(cpu, base, 8, 16, 2) for _ in range(99)))
    return made


def protected(draw: random.Random) -> Scenario:
    """A battery-backed row whose switch stands on protect: programs try to write and read what was there."""
    made = plain(draw, "battery memory, write-protect switch on", rival=["read-only"],
                 tolerated=["write-lost"])
    region = made.place.card.rams()[-1]
    if region.start <= made.place.stack <= region.end:
        region = made.place.card.rams()[0]
    start, size = doings.usable(made.place, region)
    whole = draw.random() < 0.5
    if not whole:
        size = min(size, 256)
    made.overlays = [Protected(start, start + size - 1)]

    def tries(cpu: Cpu) -> Program:
        yield from programs.memory_test(cpu, start, size, 300)

    made.programs = lambda cpu: mixed(made, cpu, (tries(cpu) for _ in range(99)), 120)
    return made


def switch_thrown(draw: random.Random) -> Scenario:
    """The protect switch is thrown in the middle of the capture."""
    made = protected(draw)
    made.what = "write-protect switch thrown in the middle"
    made.rival = ["read-only", "banked"]
    overlay = made.overlays[0]
    assert isinstance(overlay, Protected)
    overlay.begin = made.budget * made.timing.length("read", 0) * draw.uniform(0.3, 0.6)
    return made


def under_rom(draw: random.Random) -> Scenario:
    """Writes to the rom's addresses go to memory beneath it; reads come from the rom. No board file."""
    bus = draw.choice(["6502", "6809", "z80"])
    made = plain(draw, "memory under a rom: writes go beneath", bus, tweak=no_board,
                 rival=["read-only", "banked", "device"])
    base = 0xA000 if bus == "6502" else 0xC000
    made.overlays = [Covered(base, base + 0x3FF, image(draw, 0x400))]
    made.overlays.append(Protected(base, base + 0x3FF))

    def beneath(cpu: Cpu) -> Program:
        at = base + cpu.draw.randrange(0x380)
        yield from applications.copy(cpu, at, at, 96)  # the usual way to fill it: read, write back
        yield from programs.fill_and_check(cpu, range(at, at + 24), programs.in_itself, 1)
        yield from applications.search(cpu, at, 48, 2)

    made.programs = lambda cpu: mixed(made, cpu, (beneath(cpu) for _ in range(99)), 120)
    return made


def phantom(draw: random.Random) -> Scenario:
    """At reset a boot rom lies over the first row of RAM, until the program turns it off."""
    made = plain(draw, "boot rom over ram after reset (phantom)", "6800",
                 rival=["banked", "read-only", "device", "shared"])
    region = made.place.card.rams()[0]
    boot = image(draw, 0x100)
    made.overlays = [Covered(region.start, region.start + 0xFF, boot, latch=0x8010)]

    def sitting(cpu: Cpu) -> Iterator[Program]:
        def start() -> Program:
            for _ in range(3):
                for i in range(0x60):  # vectors and variables go beneath while the rom is read
                    yield ("R", region.start + i)
                    yield from cpu.code.step(1)
                    yield ("W", region.start + i, cpu.draw.randrange(256))
                yield from applications.search(cpu, region.start, 0x60, 2)
            yield ("W", 0x8010, 0)

        yield start()
        yield from doings.usual(made.place, cpu, made.budget)

    made.programs = sitting
    return made


def paged(draw: random.Random) -> Scenario:
    """Several pages behind one window, switched by a port that the board file does not know."""
    bus = draw.choice(["z80", "z80", "8085", "6502", "6809"])
    made = plain(draw, "memory in pages, switched by an output port", bus, rival=["banked"])
    region = made.place.card.rams()[0]
    if region.start <= made.place.stack <= region.end:
        region = made.place.card.rams()[-1]
    start, size = doings.usable(made.place, region)
    by_port = bus in ("z80", "8085")
    latch = 0x40 if by_port else (0x9010 if bus == "6502" else 0xB010)
    pages = draw.choice([2, 2, 4])
    made.overlays = [Banked(start, start + size - 1, latch, by_port, pages, seed=draw.getrandbits(20))]

    def turn(cpu: Cpu, number: int) -> Program:
        yield from cpu.code.step(1)
        yield ("O" if by_port else "W", latch, number % pages)
        at = start + 16 * (number * 5 % 3)
        if number < pages:
            yield from programs.fill_and_check(cpu, range(start, start + 96), programs.scattered, 1)
        for i in range(40):
            yield from cpu.code.step(1)
            value = yield ("R", at + i)
            if i % 5 == 0:
                yield ("W", at + i, (value + number) & 0xFF)

    made.programs = lambda cpu: mixed(made, cpu, (turn(cpu, i) for i in range(9999)), 60)
    return made


def mirrored(draw: random.Random) -> Scenario:
    """Incomplete decoding: a row answers at a second address too, and no board file says so."""
    made = plain(draw, "row mirrored at a second address, no board file", rival=["mirrored"], tweak=no_board)
    region = made.place.card.rams()[0]
    start, size = doings.usable(made.place, region)
    size = min(size, 256)
    base = {"z80": 0xA000, "8085": 0xA000, "6502": 0x6000, "6800": 0x6000, "6809": 0x8000}[made.place.card.bus]
    base |= start & 0x3FF
    made.overlays = [Mirror(base, base + size - 1, of=start)]

    def both(cpu: Cpu) -> Program:
        at = cpu.draw.randrange(size - 40)
        for i in range(40):
            yield from cpu.code.step(1)
            yield ("W", start + at + i, cpu.draw.randrange(256))
        for i in range(40):
            yield from cpu.code.step(1)
            yield ("R", base + at + i)
            yield ("W", base + at + i, cpu.draw.randrange(256))
        for i in range(40):
            yield from cpu.code.step(1)
            yield ("R", start + at + i)

    made.programs = lambda cpu: mixed(made, cpu, (both(cpu) for _ in range(999)), 90)
    return made


def dip(draw: random.Random) -> Scenario:
    """The supply dips in the middle: what memory held is gone, once."""
    made = plain(draw, "power dip in the middle of the capture", rival=["contents-lost"])
    made.overlays = [PowerDip(moment=made.budget * made.timing.length("read", 0) * draw.uniform(0.35, 0.65))]
    kept = made.place.card.rams()

    def sitting(cpu: Cpu) -> Iterator[Program]:
        for region in kept:
            start, size = doings.usable(made.place, region)
            yield programs.fill_and_check(cpu, range(start, start + min(size, 300)), programs.scattered, 1)
        while True:
            for region in kept:
                start, size = doings.usable(made.place, region)
                yield applications.search(cpu, start, min(size, 300), 1)
                yield applications.one_of(cpu, start, size, 60)

    made.programs = sitting
    made.budget = 16000
    return made


def other_image(draw: random.Random) -> Scenario:
    """The EPROM holds another revision than the file."""
    made = plain(draw, "EPROM of another revision than the image on file", rival=["other-image"])
    rom = next(one for one in made.place.card.regions if one.kind == "rom")
    assert rom.image is not None
    told = bytearray(rom.image)
    step = draw.randint(1, 5)
    at = draw.randrange(0x50, rom.size // 3)
    if draw.random() < 0.5:  # a few bytes put in: what follows has moved, calls to it go elsewhere
        told[at:] = (bytes(draw.randrange(256) for _ in range(step)) + told[at:])[: rom.size - at]
        for _ in range(draw.randint(4, 12)):
            place = draw.randrange(at)
            told[place] = told[place] + step & 0xFF
    else:  # a routine or two written anew, a message, a version number
        for _ in range(draw.randint(2, 4)):
            count = draw.randint(6, 40)
            place = draw.randrange(0x40, rom.size // 2)
            told[place:place + count] = image(draw, 0x100)[:count]
    rom.told = bytes(told[:rom.size])
    return made


def eeprom(draw: random.Random) -> Scenario:
    """An electrically erasable chip in a socket: busy after each write, no board file."""
    made = plain(draw, "EEPROM in the map: busy after a write, no board file", tweak=no_board,
                 rival=["device", "read-only", "shared"])
    at = spot(draw, made, 64)
    made.overlays = [SlowWrite(at, at + 63, busy_ns=draw.choice([2e5, 5e5]))]

    def save(cpu: Cpu) -> Program:
        for i in range(6):
            value = cpu.draw.randrange(256)
            yield from cpu.code.step(1)
            yield ("W", at + i * 7, value)
            top = cpu.code.pc
            for _ in range(cpu.draw.randint(10, 60)):
                cpu.code.pc = top
                yield from cpu.code.step(1)
                if (yield ("R", at + i * 7)) == value:
                    break
        yield from applications.search(cpu, at, 40, 1)

    made.programs = lambda cpu: mixed(made, cpu, (save(cpu) for _ in range(999)), 90)
    return made


def refreshing(draw: random.Random) -> Scenario:
    """An interrupt's routine reads 64 addresses in a row to refresh dynamic memory."""
    made = plain(draw, "refresh by reads of an interrupt's routine")
    region = made.place.card.rams()[0]
    low = region.start

    def routine(cpu: Cpu) -> Interrupts:
        def body() -> Program:
            back = yield from cpu.enter()
            for i in range(32):
                yield ("F", (low + i) & 0xFFFF)
            yield from cpu.leave(back)

        return Interrupts(body, draw.choice([300, 500]))

    made.interrupts = routine
    return made
