"""What is on a card: regions, chips, decoders and buffers, and how the board file writes them."""

from __future__ import annotations

from dataclasses import dataclass, field

# words, bits per word
PARTS: dict[str, tuple[int, int]] = {
    "2102": (1024, 1),
    "2147": (4096, 1),
    "4116": (16384, 1),
    "2101": (256, 4),
    "2111": (256, 4),
    "2112": (256, 4),
    "2114": (1024, 4),
    "6116": (2048, 8),
    "6264": (8192, 8),
    "2708": (1024, 8),
    "2716": (2048, 8),
    "2732": (4096, 8),
}


@dataclass
class Chip:
    """One memory chip and the data lanes that it holds."""

    designator: str
    part: str
    lanes: list[int]
    region: int

    @property
    def mask(self) -> int:
        """The chip's lanes as a bit mask."""
        return sum(1 << lane for lane in self.lanes)


@dataclass
class Region:
    """The addresses that one select answers for."""

    name: str
    start: int
    end: int
    kind: str
    select: str | None
    chips: list[Chip] = field(default_factory=list)
    image: str | None = None

    @property
    def size(self) -> int:
        """How many addresses."""
        return self.end - self.start + 1

    @property
    def bits(self) -> int:
        """How many address lines choose a cell."""
        return (self.size - 1).bit_length()


@dataclass
class Decoder:
    """A decoder: pin to line, both ways."""

    designator: str
    part: str
    inputs: dict[str, str]
    outputs: dict[str, str]


@dataclass
class Buffer:
    """A data buffer (lanes) or an address buffer (lines)."""

    designator: str
    part: str
    serves: list[int]
    lanes: list[int] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    direction: tuple[str, int] | None = None

    @property
    def mask(self) -> int:
        """The buffer's lanes as a bit mask."""
        return sum(1 << lane for lane in self.lanes)


@dataclass
class Board:
    """A whole card."""

    title: str
    bus: str
    regions: list[Region]
    decoders: list[Decoder] = field(default_factory=list)
    buffers: list[Buffer] = field(default_factory=list)

    @property
    def chips(self) -> list[Chip]:
        """Every memory chip, in region order."""
        return [chip for region in self.regions for chip in region.chips]

    def data_buffers(self) -> list[Buffer]:
        """Buffers in the data path."""
        return [b for b in self.buffers if b.lanes]

    def address_buffers(self) -> list[Buffer]:
        """Buffers in the address path."""
        return [b for b in self.buffers if b.lines]

    def designators(self) -> list[str]:
        """Every part that has a name."""
        parts = [chip.designator for chip in self.chips]
        parts += [d.designator for d in self.decoders]
        return parts + [b.designator for b in self.buffers]

    def region_at(self, address: int) -> int:
        """Index of the region that holds an address, or -1."""
        for index, region in enumerate(self.regions):
            if region.start <= address <= region.end:
                return index
        return -1


def decode(decoder: Decoder, level: dict[str, int]) -> set[str]:
    """The lines that a decoder pulls low, from the level of each input line (published truth tables)."""
    pin = {name: level[line] for name, line in decoder.inputs.items()}
    low: set[str] = set()
    if decoder.part == "74LS138":
        if pin["G1"] and not pin["G2A"] and not pin["G2B"]:
            low.add(f"Y{pin['A'] | pin['B'] << 1 | pin['C'] << 2}")
    elif decoder.part == "74LS139":
        for half in "12":
            if f"{half}G" in pin and not pin[f"{half}G"]:
                low.add(f"{half}Y{pin[half + 'A'] | pin[half + 'B'] << 1}")
    elif decoder.part == "74LS155":
        code = pin["A"] | pin["B"] << 1
        if not pin["1G"] and pin["1C"]:
            low.add(f"1Y{code}")
        if not pin["2G"] and not pin["2C"]:
            low.add(f"2Y{code}")
    elif decoder.part == "74LS42":
        code = pin["A"] | pin["B"] << 1 | pin["C"] << 2 | pin["D"] << 3
        if code < 10:
            low.add(f"Y{code}")
    return {decoder.outputs[name] for name in low if name in decoder.outputs}


def lanes_text(lanes: list[int]) -> str:
    """Lanes as the board file writes them."""
    ordered = sorted(lanes)
    if len(ordered) == 1:
        return f'"D{ordered[0]}"'
    if ordered == list(range(ordered[0], ordered[-1] + 1)):
        return f'"D{ordered[0]}-D{ordered[-1]}"'
    return "[" + ", ".join(f'"D{lane}"' for lane in ordered) + "]"


def _table(pairs: dict[str, str]) -> str:
    def key(name: str) -> str:
        return name if name.isidentifier() else f'"{name}"'

    return "{ " + ", ".join(f'{key(a)} = "{b}"' for a, b in pairs.items()) + " }"


def to_toml(board: Board, wiring: dict[str, str]) -> str:
    """The board file."""
    out = ["[board]", f'name = "{board.title}"', f'bus = "{board.bus}"', ""]
    if wiring:
        out += ["[wiring]"] + [f'{line} = "{channel}"' for line, channel in wiring.items()] + [""]
    for region in board.regions:
        out += ["[[region]]", f'name = "{region.name}"', f"start = 0x{region.start:04X}", f"end = 0x{region.end:04X}"]
        out.append(f'kind = "{region.kind}"')
        if region.select:
            out.append(f'select = "{region.select}"')
        if region.image:
            out.append(f'image = "{region.image}"')
        out.append("chips = [")
        out += [
            f'  {{ designator = "{c.designator}", part = "{c.part}", lanes = {lanes_text(c.lanes)} }},'
            for c in region.chips
        ]
        out += ["]", ""]
    for decoder in board.decoders:
        out += ["[[decoder]]", f'designator = "{decoder.designator}"', f'part = "{decoder.part}"']
        out += [f"inputs = {_table(decoder.inputs)}", f"outputs = {_table(decoder.outputs)}", ""]
    for buffer in board.buffers:
        out += ["[[buffer]]", f'designator = "{buffer.designator}"', f'part = "{buffer.part}"']
        if buffer.lanes:
            out.append(f"lanes = {lanes_text(buffer.lanes)}")
        if buffer.lines:
            out.append("lines = [" + ", ".join(f'"A{line}"' for line in buffer.lines) + "]")
        out.append("serves = [" + ", ".join(f'"{board.regions[r].name}"' for r in buffer.serves) + "]")
        if buffer.direction:
            out.append(f'direction = {{ line = "{buffer.direction[0]}", to_cpu = {buffer.direction[1]} }}')
        out.append("")
    return "\n".join(out)
