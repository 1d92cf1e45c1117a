"""The card: regions, chips, decoder, drivers, what is clipped; drawn at random, and written down as a board file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.outside.third.parts import DECODERS, MEMORIES, Memory

Rng = np.random.Generator


@dataclass(frozen=True)
class Chip:
    """One memory chip: its place on the card, its part, the data lanes it serves (lowest first)."""

    designator: str
    part: str
    lanes: tuple[int, ...]

    @property
    def memory(self) -> Memory:
        return MEMORIES[self.part]

    @property
    def mask(self) -> int:
        return sum(1 << lane for lane in self.lanes)


@dataclass
class Region:
    """A range of bus addresses. ``behind``: its data go through the card's driver. ``slot``: output of the decoder."""

    name: str
    start: int
    end: int
    kind: str = "ram"
    select: str | None = None
    chips: list[Chip] = field(default_factory=list)
    behind: bool = True
    slot: int = -1

    @property
    def size(self) -> int:
        return self.end - self.start + 1


@dataclass
class Decoder:
    """A decoder; ``code``: the address bits at its code pins, ``lines`` pin = line, ``ties`` (line, wanted level)."""

    designator: str
    part: str
    code: tuple[int, ...]
    lines: dict[str, str]
    ties: tuple[tuple[str, int], ...]
    outputs: dict[str, str]


@dataclass
class Card:
    """All of one machine that matters here. ``floating``: what an undriven data line does, ``keep`` or ``high``."""

    bus: str
    name: str
    regions: list[Region]
    decoder: Decoder | None = None
    data_driver: str | None = None
    address_driver: str | None = None
    address_bits: tuple[int, ...] = ()
    far_clipped: bool = False
    enable_line: bool = False
    floating: str = "high"
    width: int = 8
    clipped: list[str] = field(default_factory=list)
    spelling: str = "plain"
    rom_image: bool = False
    program_start: int = 0
    described: dict[str, Any] = field(default_factory=dict)
    odd: dict[str, Any] = field(default_factory=dict)

    @property
    def banks(self) -> list[Region]:
        """The regions that the card under repair holds."""
        return [r for r in self.regions if r.kind == "ram" and r.chips and r.name.startswith("bank")]

    @property
    def served(self) -> list[Region]:
        return [r for r in self.regions if r.kind == "ram" and r.chips and r.behind and r.name.startswith("bank")]

    def region(self, name: str) -> Region:
        return next(r for r in self.regions if r.name == name)

    def hit(self, address: int) -> Region | None:
        return next((r for r in self.regions if r.start <= address <= r.end), None)


def _chips(rng: Rng, part: str, first: int, width: int = 8) -> list[Chip]:
    wide = MEMORIES[part].width
    return [
        Chip(f"U{first + k}", part, tuple(range(k * wide, (k + 1) * wide))) for k in range(width // wide)
    ]


def _decoder(rng: Rng, slot: int, want: int, bus: str) -> tuple[Decoder, int] | None:
    """A decoder for ``want`` slots of ``slot`` bytes and the base that its enables give it."""
    kinds = [p for p, d in DECODERS.items() if len(d.outputs) >= want]
    part = str(rng.choice(kinds))
    spec = DECODERS[part]
    low = slot.bit_length() - 1
    code = tuple(range(low, low + len(spec.code)))
    if code[-1] > 15:
        return None
    high = list(range(code[-1] + 1, 16))
    enables = list(spec.enables)
    lines = {pin: f"A{bit}" for pin, bit in zip(spec.code, code, strict=True)}
    ties: list[tuple[str, int]] = []
    strobe = {"z80": "MREQ", "68008": "AS", "6800": "VMA"}.get(bus)
    if bus == "6800":  # dead cycles would select a bank else
        if len(enables) <= len(high) or enables[0][1] != 1:
            return None
        lines[enables.pop(0)[0]] = "VMA"
        ties.append(("VMA", 1))
    elif strobe and len(enables) > len(high) and rng.random() < 0.7:
        pin, level = enables.pop()
        lines[pin] = strobe
        ties.append((strobe, level))
    rng.shuffle(high)
    base = 0
    used: set[str] = set()
    for bit in high:
        free = [e for e in enables if e[0] not in used]
        if not free:
            return None  # a gate more would be needed
        pin, level = free[int(rng.integers(len(free)))]
        used.add(pin)
        lines[pin] = f"A{bit}"
        ties.append((f"A{bit}", level))
        base |= level << bit
    return Decoder("", part, code, lines, tuple(ties), {}), base


def _free(start: int, end: int, taken: list[tuple[int, int]]) -> bool:
    return end <= 0xFFFF and all(end < lo or start > hi for lo, hi in taken)


def draw_banks(rng: Rng, card: Card, first: int, taken: list[tuple[int, int]]) -> bool:
    """Puts one to eight banks on the card, behind a decoder or gates; False if they found no room."""
    many = int(rng.choice([1, 2, 2, 3, 4, 4, 6, 8]))
    part = str(rng.choice(["2114", "2114", "2102", "6116", "4116", "2147", "6264", "4044", "2111"]))
    parts = [part] * many
    if rng.random() < 0.25 and many > 1:  # a card that grew over the years
        parts = [str(rng.choice([part, "2114", "6116"])) for _ in range(many)]
    sizes = [MEMORIES[p].cells for p in parts]
    slot = max(sizes)
    while sum(sizes) > 0x9000 or many * slot > 0xC000:
        parts.pop()
        sizes.pop()
        many -= 1
        slot = max(sizes)
    number = first
    spots: list[int] = []
    if rng.random() < 0.75 and many > 1:
        for _ in range(60):
            made = _decoder(rng, slot, many, card.bus)
            if made is None:
                continue
            decoder, base = made
            outputs = len(DECODERS[decoder.part].outputs)
            chosen = sorted(int(s) for s in rng.choice(outputs, size=many, replace=False))
            if rng.random() < 0.5:
                chosen = list(range(many))
            spots = [base + s * slot for s in chosen]
            if all(_free(a, a + slot - 1, taken) for a in spots):
                names = DECODERS[decoder.part].outputs
                decoder.outputs = {names[s]: f"CS{k}" for k, s in enumerate(chosen)}
                card.decoder = decoder
                break
        else:
            return False
    else:
        for size in sizes:
            for _ in range(100):
                grain = size if rng.random() < 0.8 else max(0x100, size // 2)  # few cards decode finer
                at = int(rng.integers(0x10000 // grain)) * grain
                busy = taken + [(a, a + s - 1) for a, s in zip(spots, sizes, strict=False)]
                if _free(at, at + size - 1, busy):
                    spots.append(at)
                    break
            else:
                return False
    for k, (at, size, p) in enumerate(zip(spots, sizes, parts, strict=True)):
        chips = _chips(rng, p, number)
        number += len(chips)
        region = Region(f"bank{k}", at, at + size - 1, "ram", f"CS{k}", chips)
        if card.decoder is not None:
            region.slot = next(
                i for i, y in enumerate(DECODERS[card.decoder.part].outputs) if card.decoder.outputs.get(y) == f"CS{k}"
            )
        card.regions.append(region)
    if card.decoder is not None:
        card.decoder.designator = f"U{number}"
        number += 1
    if rng.random() < 0.6:
        card.data_driver = f"U{number}"
        number += 1
        card.enable_line = bool(rng.random() < 0.6)
        card.far_clipped = bool(rng.random() < 0.2)
    if rng.random() < 0.5:
        card.address_driver = f"U{number}"
        card.address_bits = tuple(range(min(8, min(sizes).bit_length() - 1)))
    for region in card.banks:
        region.behind = card.data_driver is not None
    return True


def draw_card(rng: Rng, bus: str) -> Card:
    """A machine with ``bus``: program ROM, a little RAM of its own, a device or two, and the card with the banks."""
    intel = bus in ("z80", "8085", "8080", "68008")  # the program begins at 0
    while True:
        card = Card(bus, f"{rng.choice(['Kiln', 'Lighthouse', 'Sawmill', 'Organ', 'Crane'])} memory card", [])
        size = int(rng.choice([0x800, 0x1000, 0x2000]))
        rom = Region("monitor", 0 if intel else 0x10000 - size, size - 1 if intel else 0xFFFF, "rom", behind=False)
        own = 0x2000 if intel and rng.random() < 0.5 else (0xFC00 if intel else 0)
        work = Region("work", own, own + 0x3FF, "ram", behind=False)
        taken = [(rom.start, rom.end), (work.start, work.end)]
        first = 3
        if rng.random() < 0.5:
            work.chips = _chips(rng, "2114", 1)
        card.regions = [rom, work]
        at = 0xD000 if not intel else 0xE000
        if rng.random() < 0.6:
            card.regions.append(Region("devices", at, at + 0xFF, "io", behind=False))
            taken.append((at, at + 0xFF))
        card.program_start = rom.start
        card.floating = str(rng.choice(["keep", "high"]))
        card.rom_image = bool(rng.random() < 0.6)
        if draw_banks(rng, card, first, taken):
            card.name += f" {int(rng.integers(100, 999))}"
            return card


def board_toml(card: Card, wiring: dict[str, str], image: str | None) -> str:
    """The board file of ``card``; ``wiring`` line = channel, where the names do not match by themselves."""
    out = ["[board]", f'name = "{card.name}"', f'bus = "{card.bus}"', ""]
    if wiring:
        out += ["[wiring]", *(f'{line} = "{channel}"' for line, channel in wiring.items()), ""]
    for r in card.regions:
        if r.name in card.described.get("left_out", ()):
            continue
        out += ["[[region]]", f'name = "{r.name}"', f"start = 0x{r.start:04X}", f"end = 0x{r.end:04X}"]
        out.append(f'kind = "{r.kind}"')
        if r.select and card.described.get("selects", True):
            out.append(f'select = "{r.select}"')
        if r.kind == "rom" and image and card.rom_image:
            out.append(f'image = "{image}"')
        if r.chips:
            out.append("chips = [")
            for c in r.chips:
                lanes = f"D{c.lanes[0]}-D{c.lanes[-1]}" if len(c.lanes) > 1 else f"D{c.lanes[0]}"
                out.append(f'  {{ designator = "{c.designator}", part = "{c.part}", lanes = "{lanes}" }},')
            out.append("]")
        out.append("")
    if card.decoder is not None and card.described.get("decoder", True):
        d = card.decoder
        ins = ", ".join(f'{pin} = "{line}"' for pin, line in d.lines.items())
        outs = ", ".join(f'{pin} = "{line}"' for pin, line in d.outputs.items())
        out += ["[[decoder]]", f'designator = "{d.designator}"', f'part = "{d.part}"']
        out += [f"inputs = {{ {ins} }}", f"outputs = {{ {outs} }}", ""]
    served = ", ".join(f'"{r.name}"' for r in card.banks)
    if card.data_driver and card.described.get("drivers", True):
        line, level = direction_line(card.bus)
        out += ["[[buffer]]", f'designator = "{card.data_driver}"', 'part = "74LS245"', 'lanes = "D0-D7"']
        out += [f"serves = [{served}]", f'direction = {{ line = "{line}", to_cpu = {level} }}']
        if card.enable_line:
            out.append('enable = { line = "CARD", active = 0 }')
        if card.far_clipped:
            far = ", ".join(f'D{k} = "MD{k}"' for k in range(8))
            out.append(f"far_side = {{ {far} }}")
        out.append("")
    if card.address_driver and card.described.get("drivers", True):
        lines = ", ".join(f'"A{b}"' for b in card.address_bits)
        out += ["[[buffer]]", f'designator = "{card.address_driver}"', 'part = "74LS244"']
        out += [f"lines = [{lines}]", f"serves = [{served}]", ""]
    return "\n".join(out) + "\n"


def direction_line(bus: str) -> tuple[str, int]:
    """The line that turns the data driver, and its level toward the processor."""
    if bus == "8080":
        return "DBIN", 1
    return ("RW", 1) if bus in ("6502", "6800", "6809", "68008") else ("RD", 0)


def draw_clips(rng: Rng, card: Card, controls: tuple[str, ...], optional: tuple[str, ...]) -> None:
    """Chooses what the analyser is clipped to, as people do with the channels they have."""
    mode = str(rng.choice(["all", "all", "plain", "low"]))
    shared = card.bus == "8085"  # low address and data on the same pins
    data = [f"AD{k}" if shared else f"D{k}" for k in range(8)]
    address = [f"A{k}" for k in range(8 if shared else 0, 20 if card.bus == "68008" else 16)]
    extra: list[str] = [line for line in optional if mode == "all" and rng.random() < 0.6]
    if mode in ("all", "low") or rng.random() < 0.3:
        if mode == "low" or rng.random() < 0.7:
            extra += [r.select for r in card.banks if r.select]
        if card.data_driver and card.enable_line and rng.random() < 0.6:
            extra.append("CARD")
    if mode == "low" and not shared:
        need = max(r.size.bit_length() - 1 for r in card.banks)
        address = address[: min(16, need + int(rng.integers(0, 2)))]
    card.far_clipped = card.far_clipped and mode == "all"
    if card.far_clipped:
        extra += [f"MD{k}" for k in range(8)]
    card.clipped = address + data + list(controls) + extra
    card.spelling = str(rng.choice(["plain", "plain", "marked", "numbered"]))
    card.described = {"selects": rng.random() < 0.85 or any(c.startswith("CS") for c in card.clipped)}
    card.described["drivers"] = rng.random() < 0.9 or "CARD" in card.clipped or card.far_clipped
    card.described["decoder"] = card.described["selects"] and rng.random() < 0.9
    # with high address lines off, the board file must name all the memory there is
    full = "A15" in card.clipped
    card.described["left_out"] = [n for n in ("work", "devices") if full and rng.random() < 0.15]
