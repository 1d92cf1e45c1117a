"""Draws a card at random: which bus, which chips, how they are decoded and buffered."""

from __future__ import annotations

import random

from .board import PARTS, Board, Buffer, Chip, Decoder, Region

BUSES = ("6502", "6800", "z80", "6809", "8085", "8080")
TITLES = (
    "Harbour tide gauge", "Loom controller", "Planetarium drive", "Grain dryer logger", "Lighthouse lamp changer",
    "Weighbridge printer", "Canal lock panel", "Carillon player", "Cold store recorder", "Quarry belt scale",
    "Tram depot board", "Seismograph store", "Paper mill moisture gauge", "Observatory dome drive",
    "Sugar beet sampler", "Sluice gate positioner", "Glass lehr programmer", "Wind tunnel balance",
    "Cable car counter", "Fog signal timer",
)  # fmt: skip


class Names:
    """Hands out designators in one of the trade's styles."""

    def __init__(self, rng: random.Random) -> None:
        self.style = rng.choice(["U", "U", "IC", "IC", "grid", "Z"])
        self.number = rng.randint(0, 9)
        self.columns = rng.randint(6, 10)

    def next(self) -> str:
        """The next free one."""
        self.number += 1
        if self.style == "grid":
            row, column = divmod(self.number - 1, self.columns)
            return f"{'ABCDEFGHJKLMNPRSTUVWXY'[row % 22]}{column + 1}"
        return f"{self.style}{self.number}"


def _ram_sets(rng: random.Random, many: bool) -> tuple[str, int]:
    """A RAM part and the region size it is used at."""
    narrow = [("2102", 1024), ("2102", 1024), ("2147", 4096), ("4116", 4096), ("4116", 2048)]
    nibble = [("2114", 1024), ("2114", 1024), ("2112", 256), ("2111", 256), ("2101", 256)]
    wide = [("6116", 2048), ("6116", 1024), ("6264", 4096), ("6116", 512)]
    pick = rng.random()
    if many:
        return rng.choice(narrow if pick < 0.55 else nibble if pick < 0.9 else wide)
    return rng.choice(narrow if pick < 0.35 else nibble if pick < 0.75 else wide)


def _chips(rng: random.Random, names: Names, part: str, region: int) -> list[Chip]:
    width = PARTS[part][1]
    groups = [list(range(low, low + width)) for low in range(0, 8, width)]
    style = rng.random()
    if width == 1 and style < 0.6:
        rng.shuffle(groups)
    elif style < 0.25:
        groups.reverse()
    return [Chip(names.next(), part, lanes, region) for lanes in groups]


def _decoder(
    rng: random.Random, names: Names, bus: str, slot_bits: int, base: int, used: dict[int, str]
) -> list[Decoder]:
    """A decoder that picks slots of 2**slot_bits from an aligned base. used: slot number to select name."""
    a, b, c = (f"A{slot_bits + i}" for i in range(3))
    low = [f"A{bit}" for bit in range(slot_bits + 3, 16) if not base >> bit & 1]
    high = [f"A{bit}" for bit in range(slot_bits + 3, 16) if base >> bit & 1]
    strobe_low = {"z80": "MREQ", "8085": "IOM"}.get(bus)
    strobe_high = {"6800": "VMA"}.get(bus)
    lows = ([strobe_low] if strobe_low else []) + low
    highs = ([strobe_high] if strobe_high else []) + high
    if bus == "z80":
        highs = ["RFSH"] if not highs or rng.random() < 0.7 else highs
    if bus in ("6502", "6809") and (not highs or rng.random() < 0.25):
        highs = ["PHI2" if bus == "6502" else "E"]
    if not lows or not highs:
        return []
    pick = rng.random()
    lows = (lows + lows)[:2]
    if bus in ("6502", "6809", "8080") and low and max(used) < 4 and pick < 0.3:
        inputs = {"1A": a, "1B": b, "1G": rng.choice(low)}
        return [Decoder(names.next(), "74LS139", inputs, {f"1Y{s}": n for s, n in used.items()})]
    if bus in ("6502", "6809", "8080") and low and pick < 0.45:
        inputs = {"A": a, "B": b, "1C": c, "2C": c, "1G": rng.choice(low), "2G": ""}
        inputs["2G"] = inputs["1G"]
        outs = {(f"2Y{s}" if s < 4 else f"1Y{s - 4}"): n for s, n in used.items()}
        return [Decoder(names.next(), "74LS155", inputs, outs)]
    inputs = {"A": a, "B": b, "C": c, "G1": highs[0], "G2A": lows[-1], "G2B": lows[0]}
    return [Decoder(names.next(), "74LS138", inputs, {f"Y{s}": n for s, n in used.items()})]


def _data_buffers(rng: random.Random, names: Names, board: Board) -> None:
    style = rng.random()
    every = list(range(len(board.regions)))
    if style < 0.35:
        return
    ram = [r for r in every if board.regions[r].kind == "ram"]
    to_cpu = {"z80": ("RD", 0), "8085": ("RD", 0), "8080": ("DBIN", 1)}.get(board.bus, ("RW", 1))
    if rng.random() < 0.3:
        to_cpu = ("DDIR", to_cpu[1])
    groups = [every if rng.random() < 0.6 else ram]
    if style > 0.82 and len(ram) > 1:
        cut = rng.randint(1, len(ram) - 1)
        groups = [ram[:cut], ram[cut:]]
    quad = rng.random() < 0.4
    part = rng.choice(["8T28", "8216"]) if quad else rng.choice(["74LS245", "74LS245", "74LS645", "8286"])
    for serves in groups:
        for lanes in ([0, 1, 2, 3], [4, 5, 6, 7]) if quad else (list(range(8)),):
            board.buffers.append(Buffer(names.next(), part, serves, lanes=list(lanes), direction=to_cpu))


def _address_buffers(rng: random.Random, names: Names, board: Board) -> None:
    if rng.random() < 0.5:
        return
    top = max(region.bits for region in board.regions)
    part = rng.choice(["74LS244", "74LS244", "74LS367"])
    step = 8 if part == "74LS244" else 6
    every = list(range(len(board.regions)))
    for low in range(0, top, step):
        lines = list(range(low, min(low + step, top)))
        board.buffers.append(Buffer(names.next(), part, every, lines=lines))


def draw_board(rng: random.Random, many: bool, bus: str | None = None) -> Board:
    """A card that makes sense, on a bus drawn at random."""
    bus = bus or rng.choices(BUSES, weights=[5, 5, 5, 2, 2, 2])[0]
    names = Names(rng)
    part, size = _ram_sets(rng, many)
    slot_bits = max((size - 1).bit_length(), rng.choice([8, 10, 11]))
    with_rom = rng.random() < 0.35
    rom_part = {8: "2708", 9: "2708", 10: "2708", 11: "2716", 12: "2732"}[slot_bits]
    most = 7 if with_rom else 8
    low = 2 if many and PARTS[part][1] > 1 else 1
    if many and PARTS[part][1] == 8:
        low = 4
    count = min(most, rng.randint(low, 8) if rng.random() < 0.5 or many else rng.randint(1, 4))
    if part == "4116":
        count = min(count, 4)
    window = 8 << slot_bits
    bases = list(range(0, 0x10000, window)) if window < 0x10000 else [0]
    base = rng.choice(bases)
    slots = sorted(rng.sample(range(8), count + with_rom)) if rng.random() < 0.3 else list(range(count + with_rom))
    if rng.random() < 0.3 and slots[-1] < 7:
        slots = [s + 7 - slots[-1] for s in slots]
    label = rng.choice(["bank", "row", "page", "ram", "store"])
    regions: list[Region] = []
    used: dict[int, str] = {}
    mixed = rng.random() < 0.2
    for index, slot in enumerate(slots):
        start = base + (slot << slot_bits)
        select = f"CS{index}"
        used[slot] = select
        if with_rom and index == len(slots) - 1:
            length = min(1 << slot_bits, PARTS[rom_part][0])
            region = Region("rom", start, start + length - 1, "rom", select)
            region.chips = [Chip(names.next(), rom_part, list(range(8)), index)]
            if rng.random() < 0.75:
                region.image = "image.bin"
        else:
            this, length = part, size
            if mixed and rng.random() < 0.5:
                kinds = (("2114", 1024), ("6116", 2048), ("2102", 1024), ("2112", 256))
                fits = [(p, s) for p, s in kinds if s <= 1 << slot_bits]
                this, length = rng.choice(fits) if fits else (part, size)
            region = Region(f"{label}{index}", start, start + length - 1, "ram", select)
            region.chips = _chips(rng, names, this, index)
        regions.append(region)
    board = Board(rng.choice(TITLES), bus, regions)
    if rng.random() < 0.85:
        board.decoders = _decoder(rng, names, bus, slot_bits, base, used)
    if not board.decoders:
        for region in regions:
            region.select = None
    _data_buffers(rng, names, board)
    _address_buffers(rng, names, board)
    if rng.random() < 0.3:
        _shuffle_names(rng, board)
    return board


def _shuffle_names(rng: random.Random, board: Board) -> None:
    """Sockets numbered in no order."""
    holders: list[Chip | Decoder | Buffer] = [*board.chips, *board.decoders, *board.buffers]
    names = [h.designator for h in holders]
    rng.shuffle(names)
    for holder, name in zip(holders, names, strict=True):
        holder.designator = name
