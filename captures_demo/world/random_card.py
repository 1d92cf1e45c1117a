"""Machines of all sorts, drawn from a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busledger.captures_demo.world.buses import BUS_KINDS
from busledger.captures_demo.world.machine import Card, Chip, Machine, Region

__all__ = ["PARTS", "Part", "random_machine"]


@dataclass(frozen=True, slots=True)
class Part:
    """A RAM by its usual number: words, data width in bits, and whether input and output have pins of their own."""

    name: str
    words: int
    width: int
    separate: bool


# Organisations as the makers' data sheets give them (Intel, Motorola, Hitachi; from memory).
PARTS: tuple[Part, ...] = (
    Part("2102", 1024, 1, True),
    Part("2147", 4096, 1, True),
    Part("2114", 1024, 4, False),
    Part("6810", 128, 8, False),
    Part("6116", 2048, 8, False),
    Part("6264", 8192, 8, False),
)

_BUSES = ("6502", "6800", "z80")
_CLOCKS = {
    "6502": (1.0e6, 1.0e6, 2.0e6),
    "6800": (1.0e6, 0.895e6),
    "6809": (1.0e6, 0.895e6),
    "z80": (2.0e6, 2.5e6, 4.0e6),
    "8085": (2.0e6, 3.0e6),
}


def random_machine(rng: np.random.Generator, *, bus: str = "", cards: int = 0, part: str = "") -> Machine:
    """One to four memory cards beside a CPU card with its ROM.

    All cards share one block of eight selects, so that the decoders of period
    cards (74LS138, low outputs) tell them apart by the three lines below the block.
    """
    bus = bus or str(rng.choice(_BUSES))
    chosen = PARTS[int(rng.integers(len(PARTS)))] if not part else next(p for p in PARTS if p.name == part)
    count = cards or int(rng.choice([1, 1, 1, 2, 3, 4]))
    rom = _rom(bus, chosen, rng)
    slots, window = _window(bus, chosen, count, rng)
    made_cards = [Card()]
    regions: list[Region] = [rom]
    number = 1
    for index, mine in enumerate(slots):
        name = "" if count == 1 else "ABCD"[index]
        card, own, number = _memory_card(name, index + 1, mine, window, chosen, bus, number, rng)
        made_cards.append(card)
        regions.extend(own)
    return Machine(
        f"Test machine, {chosen.name} on {bus}",
        bus,
        tuple(made_cards),
        tuple(regions),
        floats=str(rng.choice(["keep", "keep", "up"])),
        contention=str(rng.choice(["low", "low", "random"])),
        clock_hz=float(rng.choice(_CLOCKS[bus])),
    )


def _starts_low(bus: str) -> bool:
    """Whether the processor starts at address 0 (Z80, 8085), so that its ROM lies there."""
    return BUS_KINDS[bus].opcode_clocks > 0


def _rom(bus: str, part: Part, rng: np.random.Generator) -> Region:
    image = rng.integers(0, 256, 2048, dtype=np.uint8).tobytes()
    start = 0x0000 if _starts_low(bus) else 0xF800
    return Region("monitor", start, start + 0x7FF, (), kind="rom", card=0, image=image if rng.random() < 0.6 else None)


def _window(bus: str, part: Part, count: int, rng: np.random.Generator) -> tuple[list[list[int]], int]:
    """Which of the eight selects each card uses, and where the block of eight begins."""
    size = 8 * part.words
    if size >= 0x10000:
        window = 0
        free = list(range(4, 8)) if _starts_low(bus) else list(range(4))
    else:
        starts = [s for s in range(0, 0xC000, max(size, 0x4000)) if not (_starts_low(bus) and s == 0)]
        window = int(rng.choice(starts[:3]))
        free = [slot for slot in range(8) if window + (slot + 1) * part.words <= 0xF800]
    each = max(1, min(len(free) // count, int(rng.integers(1, 5))))
    taken = [free[card * each : (card + 1) * each] for card in range(count)]
    return [slots for slots in taken if slots], window


def _memory_card(
    name: str,
    index: int,
    slots: list[int],
    window: int,
    part: Part,
    bus: str,
    number: int,
    rng: np.random.Generator,
) -> tuple[Card, list[Region], int]:
    shift = part.words.bit_length() - 1
    regions = []
    for order, slot in enumerate(slots):
        chips = []
        for low in range(0, 8, part.width):
            chips.append(Chip(f"U{number}", part.name, tuple(range(low, low + part.width))))
            number += 1
        start = window + slot * part.words
        select = f"CS{name}{order}"
        regions.append(
            Region(f"bank{name}{order}", start, start + part.words - 1, tuple(chips), card=index, select=select)
        )
    buffered, address_buffered = rng.random() < 0.7, rng.random() < 0.5
    outputs = tuple((f"Y{slot}", f"CS{name}{order}") for order, slot in enumerate(slots))
    card = Card(
        name,
        buffer=f"U{number}" if buffered else "",
        address_buffer=f"U{number + 1}" if address_buffered else "",
        address_lines=tuple(range(min(shift + 3, 8))) if address_buffered else (),
        decoder=f"U{number + 2}",
        decoder_inputs=_inputs(shift, window, bus),
        decoder_outputs=outputs,
        follows=bool(rng.random() < 0.75),
        floats=str(rng.choice(["keep", "keep", "up"])),
    )
    return card, regions, number + 3


def _inputs(shift: int, window: int, bus: str) -> tuple[tuple[str, str], ...]:
    """Three select inputs, and enables from what is above them (a Z80's MREQ on one)."""
    pins = [("A", f"A{shift}"), ("B", f"A{shift + 1}"), ("C", f"A{shift + 2}")]
    low_pins = ["G2A"] if BUS_KINDS[bus].qualified else ["G2A", "G2B"]
    high_pins = ["G1"]
    for line in range(15, shift + 2, -1):
        pool = high_pins if window >> line & 1 else low_pins
        if pool:
            pins.append((pool.pop(0), f"A{line}"))
    if BUS_KINDS[bus].qualified:
        pins.append(("G2B", "MREQ"))
    return tuple(pins)
