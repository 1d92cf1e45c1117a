"""Sound machines: clips that are off, loose or exchanged, too few samples, noise; and traffic that looks odd."""

from __future__ import annotations

import random
from collections.abc import Iterator

from tests.outside.fifth import applications, case, doings, programs
from tests.outside.fifth.case import Setup
from tests.outside.fifth.engine import Interrupts, Trace
from tests.outside.fifth.odd_memory import mixed, no_board
from tests.outside.fifth.programs import Cpu, Program
from tests.outside.fifth.scenario import Scenario, plain


def lane(draw: random.Random) -> str:
    """Some data line."""
    return f"D{draw.randrange(8)}"


def low_line(made: Scenario, draw: random.Random) -> str:
    """An address line that the programs use much."""
    return f"A{draw.randrange(8 if made.place.card.bus == '8085' else 1, 10)}"


def busy_line(made: Scenario, draw: random.Random) -> str:
    """A line whose clip matters."""
    return lane(draw) if draw.random() < 0.5 or made.place.card.bus == "8085" else low_line(made, draw)


def clip_off(draw: random.Random) -> Scenario:
    """A clip that was never on."""
    made = plain(draw, "clip off all the time")
    line = busy_line(made, draw)
    level = draw.randrange(2)

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.off, setup.how.off_level = {line: [(0.0, trace.end * 2)]}, level
        setup.missing = frozenset()

    made.what += f" ({line})"
    made.tweak, made.rival = tweak, ["clip-off", "refused", "nothing"]
    return made


def clip_fell(draw: random.Random) -> Scenario:
    """A clip that comes off, and is put back or not."""
    made = plain(draw, "clip comes off in the middle")
    line = busy_line(made, draw)
    begin, stay = draw.uniform(0.3, 0.6), draw.choice([0.15, 0.3, 2.0])
    level = draw.randrange(2)

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.off = {line: [(trace.end * begin, trace.end * (begin + stay))]}
        setup.how.off_level = level
        setup.missing = frozenset()

    made.what += f" ({line}{', and is put back' if stay < 1 else ''})"
    made.tweak, made.rival = tweak, ["clip-off", "refused", "nothing"]
    return made


def loose(draw: random.Random) -> Scenario:
    """A clip that barely touches."""
    made = plain(draw, "loose clip")
    line = busy_line(made, draw)
    chance = draw.choice([0.002, 0.01, 0.03])
    begin = draw.choice([0.0, 0.4])
    level = draw.randrange(2)

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.loose, setup.how.off_level = {line: (trace.end * begin, trace.end, chance)}, level
        setup.missing = frozenset()

    made.what += f" ({line}, {chance})"
    made.tweak, made.rival = tweak, ["clip-noisy", "clip-off", "refused", "nothing"]
    return made


def exchanged(draw: random.Random) -> Scenario:
    """Two clips exchanged."""
    made = plain(draw, "clips exchanged")
    mux = made.place.card.bus == "8085"
    kind = draw.choice(["data", "address", "mixed"]) if not mux else "data"
    if kind == "data":
        one, two = (f"D{i}" for i in draw.sample(range(8), 2))
    elif kind == "address":
        one, two = (f"A{i}" for i in sorted(draw.sample(range(11), 2)))
    else:
        one, two = lane(draw), f"A{draw.randrange(0, 8)}"
    for region in made.place.card.regions:
        if region.kind == "rom":
            region.told = region.image

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.swapped = (one, two)
        setup.missing = frozenset()

    made.what += f" ({one}, {two})"
    made.tweak, made.rival = tweak, ["clips-exchanged", "refused", "nothing"]
    return made


def too_slow(draw: random.Random) -> Scenario:
    """A sample rate that cannot show the bus."""
    made = plain(draw, "too slow a sample rate", draw.choice(["z80", "8085", "6502", "6809"]))
    clocked = made.place.card.bus in ("6502", "6809")
    rate = draw.choice([2e6, 3e6, 4e6] if clocked else [4e6, 5e6, 6e6])

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.rate_hz = rate
        setup.missing = frozenset()

    made.what += f" ({rate / 1e6:g} MHz)"
    made.tweak, made.rival = tweak, ["too-slow", "refused", "nothing"]
    return made


def bounce(draw: random.Random) -> Scenario:
    """A long ground lead: a strobe seems to jump when many lines fall together."""
    made = plain(draw, "analyser's ground lead too long", draw.choice(["z80", "6502", "6800", "8085"]))
    strobe = {"z80": draw.choice(["RD", "WR", "MREQ"]), "6502": "PHI2", "6800": "PHI2",
              "8085": draw.choice(["RD", "WR", "ALE"])}[made.place.card.bus]
    many = draw.choice([6, 7, 8])

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.rate_hz = max(setup.how.rate_hz, 24e6)
        setup.how.bounced_by = (strobe, many)
        setup.missing = frozenset()

    made.what += f" ({strobe})"
    made.tweak, made.rival = tweak, ["clip-noisy", "too-slow", "refused", "nothing"]
    return made


def ringing(draw: random.Random) -> Scenario:
    """A strobe's line rings: stray pulses beside its edges."""
    made = plain(draw, "strobe rings", draw.choice(["z80", "8085", "6502"]))
    strobe = {"z80": draw.choice(["RD", "WR"]), "8085": draw.choice(["RD", "WR"]), "6502": "PHI2"}[made.place.card.bus]
    chance = draw.choice([0.003, 0.02])

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.strobe_noise = {strobe: chance}

    made.what += f" ({strobe})"
    made.tweak, made.rival = tweak, ["clip-noisy", "too-slow", "refused", "nothing"]
    return made


def noisy_bus(draw: random.Random) -> Scenario:
    """Stray pulses on address and data lines after they move, more than is usual."""
    made = plain(draw, "noisy bus")

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.how.rate_hz = max(setup.how.rate_hz, 48e6)
        setup.how.stray, setup.how.bounce = 0.01, 0.02

    made.tweak = tweak
    return made


def waits(draw: random.Random) -> Scenario:
    """A slow EPROM with wait states; WAIT, RDY or READY clipped or not."""
    made = plain(draw, "wait states for the rom", draw.choice(["z80", "8085", "6502"]))
    line = {"z80": "WAIT", "8085": "READY", "6502": "RDY"}[made.place.card.bus]
    rom = next(one for one in made.place.card.regions if one.kind == "rom")
    count = draw.choice([1, 1, 2]) if line != "RDY" else 1
    clipped = draw.random() < 0.5
    made.waits = lambda kind, address: count if rom.start <= address <= rom.end and kind != "out" else 0

    def tweak(setup: Setup, trace: Trace) -> None:
        if clipped:
            setup.more.append(line)

    made.what += f" ({line} {'clipped' if clipped else 'not clipped'})"
    made.tweak = tweak
    return made


def interrupted(draw: random.Random) -> Scenario:
    """Interrupts in the middle of read-modify-write, with counters of their own in memory."""
    made = plain(draw, "interrupts in the middle of read-modify-write")
    region = made.place.card.rams()[0]
    start, size = doings.usable(made.place, region)
    ticks = start + size - 3

    def routine(cpu: Cpu) -> Interrupts:
        def body() -> Program:
            back = yield from cpu.enter()
            for _ in range(3):
                yield from cpu.push(cpu.draw.randrange(256))
            for i in range(3):
                yield from cpu.code.step(1)
                value = yield ("R", ticks + i)
                yield ("W", ticks + i, (value + 1) & 0xFF)
                if value != 0xFF:
                    break
            for _ in range(3):
                yield from cpu.pull()
            yield from cpu.leave(back)

        return Interrupts(body, draw.choice([40, 90, 200]), 30)

    made.interrupts = routine
    made.programs = lambda cpu: doings.busy(made.place, cpu, made.place.card.rams(), 250)
    return made


def direct_access(draw: random.Random) -> Scenario:
    """A disk controller writes a sector by direct memory access; the grant line is clipped or not."""
    made = plain(draw, "sector read by direct memory access", draw.choice(["z80", "6800", "8085"]))
    region = made.place.card.rams()[-1]
    start, size = doings.usable(made.place, region)
    count = min(128, size)
    line = {"z80": "BUSAK", "6800": "BA", "8085": "HLDA"}[made.place.card.bus]
    clipped = draw.random() < 0.6

    def sector(cpu: Cpu) -> Program:
        at = start + cpu.draw.randrange(size - count + 1)
        yield from programs.fill_and_check(cpu, range(at, at + count, 3), programs.solid, 1)
        for i in range(count):
            yield ("D", at + i, cpu.draw.randrange(256))
            if i % 4 == 3:
                yield from cpu.code.step(1)
        yield from applications.search(cpu, at, count, 2)

    def tweak(setup: Setup, trace: Trace) -> None:
        if clipped:
            setup.more.append(line)

    made.what += f" ({line} {'clipped' if clipped else 'not clipped'})"
    made.programs = lambda cpu: mixed(made, cpu, (sector(cpu) for _ in range(99)), 90)
    made.tweak = tweak
    return made


def empty_sockets(draw: random.Random) -> Scenario:
    """A program sizes its memory: past the last chip nothing answers. No board file."""
    made = plain(draw, "memory sized by a program, empty sockets behind, no board file", tweak=no_board)
    made.place.card.pulled_up = draw.random() < 0.7
    region = made.place.card.rams()[-1]
    top = region.end + 1
    made.tolerated = ["no-answer", "floating", "select-missing", "dead", "write-lost", "stuck-high", "slow"]

    def size_up(cpu: Cpu) -> Program:
        for address in [*range(top - 64, top, 16), *range(top, top + 1024, 64)]:
            for value in (0x55, 0xAA):
                yield from cpu.code.step(1)
                yield ("W", address, value)
                yield from cpu.code.step()
                seen = yield ("R", address)
                if seen != value:
                    return

    made.programs = lambda cpu: mixed(made, cpu, (size_up(cpu) for _ in range(999)), 120)
    made.rival = ["read-only", "device", "nothing", "refused", *made.tolerated]
    return made


def narrow(draw: random.Random) -> Scenario:
    """Sixteen channels: data, strobes and a handful of address lines."""
    made = plain(draw, "sixteen channels: few address lines", draw.choice(["z80", "6502", "6800"]))
    keep = 5 if made.place.card.bus == "z80" else 6

    def tweak(setup: Setup, trace: Trace) -> None:
        lines = {f"A{i}" for i in range(keep, 16)} | {"RFSH", "IORQ", "SYNC"}
        setup.missing, setup.more = frozenset(lines), []

    made.tweak = tweak
    return made


def random_power_up(draw: random.Random) -> Scenario:
    """Programs read what they never wrote: memory as it powered up."""
    made = plain(draw, "reads of memory as it powered up")

    def sitting(cpu: Cpu) -> Iterator[Program]:
        rams = made.place.card.rams()
        while True:
            region = cpu.draw.choice(rams)
            start, size = doings.usable(made.place, region)
            at = start + cpu.draw.randrange(size - 64)
            yield applications.search(cpu, at, 64, 2)
            yield applications.one_of(cpu, start, size, 60)

    made.programs = sitting
    return made


def in_ram(draw: random.Random) -> Scenario:
    """The program runs from RAM that it loaded, and changes itself."""
    made = plain(draw, "self-modifying program in ram")
    region = made.place.card.rams()[0]
    start, size = doings.usable(made.place, region)
    room = min(size // 2, 200)

    def sitting(cpu: Cpu) -> Iterator[Program]:
        rom = next(one for one in made.place.card.regions if one.kind == "rom")
        yield applications.copy(cpu, rom.start + 32, start, room)

        def changing() -> Program:
            cpu.code.low, cpu.code.high, cpu.code.pc = start, start + room - 1, start
            for _ in range(40):
                yield from cpu.code.step(2)
                yield ("W", start + cpu.draw.randrange(room), cpu.draw.randrange(256))

        while True:
            yield changing()
            other = made.place.card.rams()[-1]
            low, span = doings.usable(made.place, other)
            if other is region:
                low, span = start + room, size - room
            yield applications.one_of(cpu, low, span, 60)

    made.programs = sitting
    return made


def dropouts(draw: random.Random) -> Scenario:
    """Samples lost several times, writes among them."""
    made = plain(draw, "several drop-outs")
    spans = [(draw.uniform(0.05, 0.9), draw.uniform(50, 600)) for _ in range(draw.randint(2, 5))]
    off = draw.random() < 0.5

    def tweak(setup: Setup, trace: Trace) -> None:
        moments = sorted(spans)
        setup.how.gaps = []
        last = 0.0
        for part, cycles in moments:
            begin = max(last + 40 * made.timing.length("read", 0), trace.end * part)
            last = begin + cycles * made.timing.length("read", 0)
            setup.how.gaps.append((begin, last))
        setup.how.dump_off = off

    made.tweak = tweak
    return made


def few_lines(draw: random.Random) -> Scenario:
    """High address lines left off, where they tell nothing."""
    made = plain(draw, "high address lines not clipped")

    def tweak(setup: Setup, trace: Trace) -> None:
        setup.missing = case.spare_lines(draw, trace, made.place, 4)

    made.tweak = tweak
    return made
