"""The machines: four buses, memories as they were built, addresses as they were decoded."""

from __future__ import annotations

import random
from dataclasses import dataclass

from tests.outside.fifth.model import Card, Chip, Decoder, Region


@dataclass(frozen=True)
class Layout:
    """What a program needs to know of a machine."""

    card: Card
    code: tuple[int, int]  # where the program's bytes lie
    stack: int
    port: tuple[str, int] | None  # a printer or terminal that is not memory


def image(draw: random.Random, size: int) -> bytes:
    """A program's bytes: opcodes that come often, small operands, some text, an empty tail."""
    common = [draw.randrange(256) for _ in range(24)]
    out = bytearray()
    full = int(size * draw.uniform(0.6, 0.97))
    while len(out) < full:
        kind = draw.random()
        if kind < 0.7:
            out += bytes([draw.choice(common), draw.randrange(256) if draw.random() < 0.6 else draw.randrange(8)])
        elif kind < 0.9:
            out += bytes(draw.randrange(256) for _ in range(4))
        else:
            out += bytes(draw.choice(b"ERROR AT READY OK?ABCDEFGHIJ 0123") for _ in range(12))
    return bytes(out[:full]) + b"\xff" * (size - full)


def row(number: int, part: str, width: int, per: int) -> tuple[list[Chip], int]:
    """Chips for a byte: `per` lanes each. Returns the next free number."""
    chips = []
    for low in range(0, width, per):
        chips.append(Chip(f"U{number}", part, tuple(range(low, low + per))))
        number += 1
    return chips, number


def rom(draw: random.Random, name: str, start: int, part: str, size: int, number: int, told: bool) -> Region:
    """A rom, with or without an image on file."""
    data = image(draw, size)
    chips = [Chip(f"U{number}", part, tuple(range(8)))]
    return Region(name, start, size, "rom", chips, image=data, told=data if told else None)


def z80(draw: random.Random) -> Layout:
    """Monitor EPROM at 0, static or dynamic memory behind a driver at 4000."""
    big = draw.random() < 0.25
    banks = 1 if big else draw.choice([2, 3, 4, 6])
    regions = [rom(draw, "monitor", 0, "2716", 0x800, 1, draw.random() < 0.6)]
    buffered = draw.random() < 0.75
    number = 10
    if big:
        chips, number = row(number, "4116", 8, 1)
        regions.append(Region("ram", 0x4000, 0x4000, "ram", chips, buffered=buffered))
    else:
        part, per = draw.choice([("2114", 4), ("2114", 4), ("2102", 1)])
        for i in range(banks):
            chips, number = row(number, part, 8, per)
            regions.append(Region(f"bank{i}", 0x4000 + i * 0x400, 0x400, "ram", chips, f"CS{i}", buffered=buffered))
    card = Card("Z80 memory card", "z80", regions)
    if not big:
        inputs = {"A": "A10", "B": "A11", "C": "A12", "G1": "A14", "G2A": "A15", "G2B": "MREQ"}
        card.decoder = Decoder("U4", "74LS138", inputs, {f"Y{i}": f"CS{i}" for i in range(banks)})
    finish(card, draw, buffered, 14 if big else 10, ("RD", 0))
    last = regions[-1]
    return Layout(card, (0x40, 0x600), last.end, ("O", 0x10))


def m6502(draw: random.Random) -> Layout:
    """Zero page and stack at the bottom, EPROM at the top, a port chip between."""
    style = draw.choice(["2114", "2114", "6116", "2102"])
    regions: list[Region] = []
    number = 10
    buffered = draw.random() < 0.5
    if style == "6116":
        banks, size, per = draw.choice([1, 2]), 0x800, 8
    else:
        banks, size, per = draw.choice([2, 3, 4]), 0x400, 4 if style == "2114" else 1
    for i in range(banks):
        chips, number = row(number, style, 8, per)
        regions.append(Region(f"ram{i}", i * size, size, "ram", chips, f"CS{i}", buffered=buffered))
    regions.append(rom(draw, "monitor", 0xF800, "2716", 0x800, 1, draw.random() < 0.6))
    card = Card("6502 computer board", "6502", regions)
    shift = 10 if size == 0x400 else 11
    inputs = {"A": f"A{shift}", "B": f"A{shift + 1}", "G": f"A{shift + 2}"}
    card.decoder = Decoder("U4", "74LS139", inputs, {f"Y{i}": f"CS{i}" for i in range(banks)})
    finish(card, draw, buffered, shift, ("RW", 1))
    return Layout(card, (0xF840, 0xFDFF), 0x01FF, ("W", 0x9000))


def m6800(draw: random.Random) -> Layout:
    """A scratchpad 6810 and rows of RAM, a monitor at E000, a terminal at 8004."""
    regions: list[Region] = []
    banks = draw.choice([2, 4])
    buffered = draw.random() < 0.6
    part, per = draw.choice([("2114", 4), ("2102", 1), ("2102", 1)])
    number = 10
    for i in range(banks):
        chips, number = row(number, part, 8, per)
        regions.append(Region(f"row{i}", i * 0x400, 0x400, "ram", chips, f"CS{i}", buffered=buffered))
    regions.append(Region("scratch", 0xA000, 0x80, "ram", [Chip("U3", "6810", tuple(range(8)))]))
    regions.append(rom(draw, "monitor", 0xE000, "2708", 0x400, 1, draw.random() < 0.6))
    card = Card("6800 system", "6800", regions)
    inputs = {"A": "A10", "B": "A11", "C": "A12", "D": "A15"}
    card.decoder = Decoder("U4", "74LS42", inputs, {f"Y{i}": f"CS{i}" for i in range(banks)})
    finish(card, draw, buffered, 10, ("RW", 1))
    return Layout(card, (0xE010, 0xE300), 0xA07F, ("W", 0x8005))


def m6809(draw: random.Random) -> Layout:
    """Two to four 6116 or 6264 at the bottom, a 2732 at F000."""
    style = draw.choice(["6116", "2114", "6264"])
    size = {"6116": 0x800, "2114": 0x400, "6264": 0x2000}[style]
    per = 4 if style == "2114" else 8
    banks = 1 if style == "6264" else draw.choice([2, 3, 4])
    buffered = draw.random() < 0.5
    number = 10
    regions: list[Region] = []
    for i in range(banks):
        chips, number = row(number, style, 8, per)
        regions.append(Region(f"ram{i}", i * size, size, "ram", chips, f"CS{i}" if banks > 1 else None,
                              buffered=buffered))
    regions.append(rom(draw, "rom", 0xF000, "2732", 0x1000, 1, draw.random() < 0.6))
    card = Card("6809 controller", "6809", regions)
    shift = size.bit_length() - 1
    if banks > 1:
        inputs = {"A": f"A{shift}", "B": f"A{shift + 1}", "G": f"A{shift + 2}"}
        card.decoder = Decoder("U4", "74LS139", inputs, {f"Y{i}": f"CS{i}" for i in range(banks)})
    finish(card, draw, buffered, min(shift, 12), ("RW", 1))
    return Layout(card, (0xF100, 0xFBFF), regions[0].start + min(size, 0x400) - 1, ("W", 0xB001))


def i8085(draw: random.Random) -> Layout:
    """EPROMs at 0, RAM at 2000 behind a decoder, ports for the printer."""
    style, per = draw.choice([("2114", 4), ("2114", 4), ("6116", 8)])
    size = 0x400 if style == "2114" else 0x800
    banks = draw.choice([2, 3, 4])
    buffered = draw.random() < 0.5
    shift = size.bit_length() - 1
    number = 10
    regions = [rom(draw, "program", 0, "2732", 0x1000, 1, draw.random() < 0.6)]
    for i in range(banks):
        chips, number = row(number, style, 8, per)
        regions.append(Region(f"ram{i}", 0x2000 + i * size, size, "ram", chips, f"CS{i}", buffered=buffered))
    card = Card("8085 instrument", "8085", regions)
    inputs = {"A": f"A{shift}", "B": f"A{shift + 1}", "G1": "A13", "G2A": "A15", "G2B": "IOM"}
    if shift == 10:
        inputs["C"] = "A12"
    card.decoder = Decoder("U4", "74LS138", inputs, {f"Y{i}": f"CS{i}" for i in range(banks)})
    finish(card, draw, buffered, shift, ("RD", 0))
    return Layout(card, (0x100, 0xD00), regions[-1].end, ("O", 0x21))


def finish(card: Card, draw: random.Random, buffered: bool, lines: int, direction: tuple[str, int]) -> None:
    """Drivers and what undriven lines do."""
    if buffered:
        card.buffer = "U5"
        card.buffer_direction = direction
        card.card_high = draw.random() < 0.6
        if lines >= 8 and draw.random() < 0.6 and card.bus != "8085":
            card.address_buffer = ("U6", tuple(range(8)))
    card.pulled_up = draw.random() < 0.3


LAYOUTS = {"z80": z80, "6502": m6502, "6800": m6800, "6809": m6809, "8085": i8085}


def layout(draw: random.Random, bus: str | None = None) -> Layout:
    """A machine, of that bus if it is given."""
    name = bus or draw.choice(["z80", "z80", "6502", "6502", "6800", "6809", "8085"])
    return LAYOUTS[name](draw)
