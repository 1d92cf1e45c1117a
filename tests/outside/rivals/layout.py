"""Memory cards: regions, chips, decoder, buffer; and the board file that says so."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .buses import FAMILY
from .wave import Line, combine, slow_gate
from .world import Region

PARTS: dict[int, list[tuple[str, int]]] = {
    256: [("2112", 4), ("2111", 4), ("6116", 8)],
    512: [("2114", 4), ("2102", 1), ("6116", 8)],
    1024: [("2102", 1), ("2114", 4), ("2114", 4), ("6116", 8)],
    2048: [("6116", 8)],
    4096: [("2147", 1), ("6264", 8)],
}
NAMES = (
    "Harbour tide gauge", "Loom controller", "Planetarium drive", "Grain dryer", "Lift dispatcher", "Bell carillon",
    "Glasshouse climate", "Sluice recorder", "Seismograph", "Paper-mill scale", "Lighthouse timer", "Organ combination",
    "Weather mast", "Kiln programmer", "Turnstile counter", "Bakery oven",
)  # fmt: skip


@dataclass
class Decoder:
    """A 74LS138 and what its pins are tied to."""

    inputs: dict[str, str]
    outputs: dict[str, str]

    def wave(self, lines: dict[str, Line], output: str) -> Line:
        """One output, from the lines of the bus."""
        number = int(output[1])
        order = [pin for pin in ("A", "B", "C", "G1", "G2A", "G2B") if pin in self.inputs]

        def logic(*levels: np.ndarray) -> np.ndarray:
            pins = dict(zip(order, levels, strict=True))
            code = pins["A"] + 2 * pins["B"] + 4 * pins["C"]
            on = code == number
            for pin in ("G2A", "G2B"):
                if pin in pins:
                    on &= pins[pin] == 0
            if "G1" in pins:
                on &= pins["G1"] == 1
            return ~on

        raw = combine([lines[self.inputs[pin]] for pin in order], logic, 22.0 + 1.3 * number)
        return slow_gate(raw, 9.0)


@dataclass
class Layout:
    """What is in the machine."""

    family: str
    regions: list[Region]
    """All memory; those with `listed` are in the board file."""
    code: list[tuple[int, int]]
    """Start and size of the pieces that the processor fetches from."""
    decoder: Decoder | None = None
    buffer: bool = False
    far_side: bool = False
    enable: bool = False
    stack: int = 0
    extra: dict[str, list[str]] = field(default_factory=dict)
    """Further lines of the board file, by region name."""

    @property
    def ram(self) -> list[int]:
        """Numbers of the card's RAM regions."""
        return [i for i, region in enumerate(self.regions) if region.listed and region.kind == "ram"]


@dataclass
class Wish:
    """What a kind asks of the layout; None leaves it to chance."""

    regions: int | None = None
    size: int | None = None
    decoder: bool | None = None
    rom: bool | None = None
    """A ROM with an image in the board file."""
    chips: bool | None = None
    width: int | None = None
    """Lanes per chip."""
    buffer: bool | None = None
    gaps: bool = False
    """Nothing else of the machine shares the low address bits of a region."""
    code_in_rom: bool = False


TAKEN = (60, 61)  # the decoder and the buffer


def _chips(region: Region, rng: np.random.Generator, designator: int, width: int | None) -> int:
    choices = [choice for choice in PARTS[region.size] if width is None or choice[1] == width]
    if not choices:
        raise ValueError(f"no part {width} wide for {region.size} addresses")
    part, lanes = choices[int(rng.integers(len(choices)))]
    region.part = part
    for low in range(0, 8, lanes):
        designator += 2 if designator == TAKEN[0] else 0
        region.chips.append((f"U{designator}", low, low + lanes - 1))
        designator += 1
    return designator


def _image(rng: np.random.Generator, size: int) -> bytes:
    """A program, some tables and a text, more or less."""
    image = rng.integers(0, 256, size).astype(np.uint8)
    table = int(rng.integers(0, size // 2))
    image[table : table + size // 8] = (np.arange(size // 8) * 7 + 3) & 255
    words = np.frombuffer(b"READY  SET CLOCK  OUT OF RANGE  TIDE ", np.uint8)
    place = int(rng.integers(0, size - 64))
    image[place : place + len(words)] = words
    image[-16:] = 0xFF
    return image.tobytes()


def draw(bus: str, rng: np.random.Generator, wish: Wish) -> Layout:
    """A card for one of the processors."""
    family = FAMILY[bus]
    size = wish.size or int(rng.choice([256, 512, 1024, 1024, 2048, 4096]))
    if wish.size is None and wish.width in (1, 4):
        size = 1024 if wish.width == 1 else int(rng.choice([256, 1024]))
    with_decoder = bool(rng.random() < 0.5) if wish.decoder is None else wish.decoder
    top = 1 if wish.regions == 1 else 8 if size <= 1024 else 4
    count = wish.regions or int(rng.integers(1, top + 1))
    if with_decoder and wish.regions is None:
        count = max(count, 2)
    count = min(count, 28672 // size)
    rom_size = int(rng.choice([1024, 2048, 4096]))
    rom_start = 0 if family == "z80" else 0x10000 - rom_size
    block = size * 8
    decoder = None
    if with_decoder and block <= 0x8000:
        bits = size.bit_length() - 1
        base = int(rng.choice([b for b in range(0, 0xC000, block) if b >= 0x4000 and b + block <= 0xE000] or [0x4000]))
        if block == 0x8000:
            base = 0x8000 if family == "z80" else 0x0000
        avoid = 1 if bus == "6802" and base == 0 else 0  # memory on the chip
        inputs = {"A": f"A{bits}", "B": f"A{bits + 1}", "C": f"A{bits + 2}"}
        free = ["G2A", "G2B", "G1"]
        if family == "z80":
            inputs["G2B"] = "MREQ"
            free = ["G2A", "G1"]
        elif family == "6800" and bus != "6809":
            inputs["G1"] = "VMA"
            free = ["G2A", "G2B"]
        for line in range(15, bits + 2, -1):
            level = base >> line & 1
            pin = next((p for p in free if (p == "G1") == bool(level)), None)
            if pin:
                inputs[pin] = f"A{line}"
                free.remove(pin)
        numbers = sorted((rng.choice(8 - avoid, size=min(count, 8 - avoid), replace=False) + avoid).tolist())
        starts = [base + n * size for n in numbers]
        decoder = Decoder(inputs, {f"Y{n}": f"CS{i}" for i, n in enumerate(numbers)})
        if block == 0x8000 and base == 0 and family != "z80":
            rom_size = min(rom_size, 4096)
    else:
        step = size if rng.random() < 0.6 else size * 2
        low = (
            0x2000
            if family == "z80"
            else int(rng.choice([0x4000, 0x8000] if bus == "6802" else [0x0000, 0x4000, 0x8000]))
        )
        step = min(step, max(size, (0xE000 - low) // max(1, count) // size * size))
        count = min(count, (0xE000 - low) // step)
        starts = [low + i * step for i in range(count)]
    style = str(rng.choice(["bank", "ram", "row", "page"]))
    regions = [Region(f"{style}{i}", start, size) for i, start in enumerate(starts)]
    if decoder:
        for i, region in enumerate(regions):
            region.select = f"CS{i}"
    designator = 1
    if wish.chips or (wish.chips is None and rng.random() < 0.8):
        width = wish.width
        if width is None and rng.random() < 0.7:
            options = sorted({w for _, w in PARTS[size]})
            width = int(rng.choice(options))
        for region in regions:
            designator = _chips(region, rng, designator, width)
    with_rom = bool(rng.random() < 0.45) if wish.rom is None else wish.rom
    rom = Region("monitor", rom_start, rom_size, "rom", image=_image(rng, rom_size), listed=with_rom)
    if with_rom:
        rom.part = {1024: "2708", 2048: "2716", 4096: "2732"}[rom_size]
        rom.chips = [(f"U{designator + (20 if designator + 10 in TAKEN else 10)}", 0, 7)]
    code = [(rom.start, rom.size)]
    regions.append(rom)
    stack = regions[0].start + min(256, size) - 8
    buffer = bool(rng.random() < 0.4) if wish.buffer is None else wish.buffer
    layout = Layout(family, regions, code, decoder, buffer, stack=stack)
    layout.far_side = buffer and bool(rng.random() < 0.4)
    layout.enable = buffer and decoder is not None and bool(rng.random() < 0.5)
    if wish.chips is None and not wish.code_in_rom and rng.random() < 0.25 and not wish.gaps:
        home = regions[int(rng.integers(0, len(starts)))]
        layout.code.append((home.start + size // 2, min(64, size // 4)))
    return layout


def buffer_lines(layout: Layout, lines: dict[str, Line]) -> dict[str, Line]:
    """The select lines, and CARD, the enable of the data buffer: low while any select is."""
    out: dict[str, Line] = {}
    if layout.decoder:
        for pin, name in layout.decoder.outputs.items():
            out[name] = layout.decoder.wave(lines, pin)
        if layout.enable:
            selects = list(out.values())

            def logic(*levels: np.ndarray) -> np.ndarray:
                return np.min(np.stack(levels), axis=0)

            out["CARD"] = slow_gate(combine(selects, logic, 14.0), 9.0)
    return out


def board_text(layout: Layout, name: str, bus: str, wiring: dict[str, str]) -> str:
    """The board file."""
    out = ["[board]", f'name = "{name} memory card"', f'bus  = "{bus}"', ""]
    if wiring:
        out += ["[wiring]", *(f'{line} = "{channel}"' for line, channel in wiring.items()), ""]
    listed = [region for region in layout.regions if region.listed]
    for region in listed:
        out += [
            "[[region]]",
            f'name  = "{region.name}"',
            f"start = 0x{region.start:04X}",
            f"end   = 0x{region.end:04X}",
        ]
        out.append(f'kind  = "{region.kind}"')
        if region.select:
            out.append(f'select = "{region.select}"')
        if region.kind == "rom":
            out.append('image = "monitor.bin"')
        out += layout.extra.get(region.name, [])
        if region.chips:
            out.append("chips = [")
            for designator, low, high in region.chips:
                lanes = f"D{low}" if low == high else f"D{low}-D{high}"
                out.append(f'  {{ designator = "{designator}", part = "{region.part}", lanes = "{lanes}" }},')
            out.append("]")
        out.append("")
    if layout.decoder:
        pins = ", ".join(f'{pin} = "{line}"' for pin, line in layout.decoder.inputs.items())
        outs = ", ".join(f'{pin} = "{line}"' for pin, line in layout.decoder.outputs.items())
        out += [
            "[[decoder]]",
            'designator = "U60"',
            'part = "74LS138"',
            f"inputs  = {{ {pins} }}",
            f"outputs = {{ {outs} }}",
            "",
        ]
    if layout.buffer:
        serves = ", ".join(f'"{layout.regions[i].name}"' for i in layout.ram)
        direction = '{ line = "RD", to_cpu = 0 }' if layout.family == "z80" else '{ line = "RW", to_cpu = 1 }'
        out += ["[[buffer]]", 'designator = "U61"', 'part = "74LS245"', 'lanes = "D0-D7"', f"serves = [{serves}]"]
        out.append(f"direction = {direction}")
        if layout.enable:
            out.append('enable = { line = "CARD", active = 0 }')
        if layout.far_side:
            out.append("far_side = { " + ", ".join(f'D{bit} = "MD{bit}"' for bit in range(8)) + " }")
        out.append("")
    return "\n".join(out)
