"""What stands on a card: chips, rows, decoder, drivers; and how such cards are drawn at random.

Sizes are those of the makers' data sheets (2102 1K x 1, 2114 1K x 4, 2101/2111/2112 256 x 4, 6116 2K x 8,
2147/4044 4K x 1, 6264 8K x 8).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

CHIP_SIZES = {  # part: (address bits, data bits)
    "2101": (8, 4),
    "2111": (8, 4),
    "2112": (8, 4),
    "2102": (10, 1),
    "2114": (10, 4),
    "6116": (11, 8),
    "2147": (12, 1),
    "4044": (12, 1),
    "6264": (13, 8),
}

NAMES = (
    "Grain dryer panel",
    "Dredger winch log",
    "Bell tower sequencer",
    "Hop kiln recorder",
    "Sluice gate memory",
    "Observatory dome drive",
    "Paper mill counter",
    "Ferry ramp controller",
    "Glasshouse climate store",
    "Organ combination action",
)


@dataclass(frozen=True)
class Chip:
    """One memory chip: its lanes on the data bus, lowest first."""

    designator: str
    part: str
    lanes: tuple[int, ...]
    row: int


@dataclass(frozen=True)
class Row:
    """One region of the card: the chips that one select enables."""

    name: str
    start: int
    bits: int
    chips: tuple[Chip, ...]
    select: str

    @property
    def end(self) -> int:
        """The last address, inclusive."""
        return self.start + (1 << self.bits) - 1


@dataclass(frozen=True)
class Driver:
    """A data bus driver and the rows behind it."""

    designator: str
    part: str
    lanes: tuple[int, ...]
    serves: tuple[int, ...]
    enable: str | None


@dataclass(frozen=True)
class AddressDriver:
    """An address buffer and the lines that it carries, to all rows."""

    designator: str
    lines: tuple[int, ...]


@dataclass
class Board:
    """The machine: the card's rows, and the ROM and scratch RAM of the processor board."""

    name: str
    bus: str
    rows: list[Row]
    drivers: list[Driver] = field(default_factory=list)
    address_drivers: list[AddressDriver] = field(default_factory=list)
    decoder: str | None = None
    decoder_inputs: dict[str, str] = field(default_factory=dict)
    first_output: int = 0
    rom_start: int = 0
    rom: bytearray = field(default_factory=lambda: bytearray(2048))
    rom_listed: bool = True
    scratch: tuple[int, int] | None = None
    scratch_listed: bool = True
    unclipped: set[str] = field(default_factory=set)
    selects_clipped: bool = False
    floats: str = "keep"  # keep | pull
    gated: bool = True  # a 6800's card looks at VMA somewhere before it drives the bus
    without_board: bool = False

    def row_at(self, address: int) -> int:
        """The row that answers at an address, or -1."""
        for index, row in enumerate(self.rows):
            if row.start <= address <= row.end:
                return index
        return -1

    def chips(self) -> list[Chip]:
        """Every memory chip of the card."""
        return [chip for row in self.rows for chip in row.chips]

    def driver_of(self, row: int, lane: int) -> Driver | None:
        """The driver between a row's lane and the bus, if there is one."""
        for driver in self.drivers:
            if row in driver.serves and lane in driver.lanes:
                return driver
        return None


def _decoder(bus: str, bits: int) -> tuple[dict[str, str], int]:
    """Inputs of a 74LS138 for rows of `bits` address bits, and where its window begins."""
    inputs = {"A": f"A{bits}", "B": f"A{bits + 1}", "C": f"A{bits + 2}"}
    strobed = {"z80": "MREQ", "8085": "IOM"}.get(bus)
    if bits <= 10:
        return inputs | {"G1": "A14", "G2A": "A15", "G2B": "A13"}, 0x4000
    if bits == 11:
        return inputs | {"G1": "A15", "G2A": "A14", "G2B": strobed or "A14"}, 0x8000
    clock = {"6502": "PHI2", "6800": "VMA", "6809": "E"}.get(bus)
    if bits == 12:
        if clock:
            return inputs | {"G1": clock, "G2A": "A15", "G2B": "A15"}, 0x0000
        return inputs | {"G1": "A15", "G2A": strobed or "", "G2B": strobed or ""}, 0x8000
    return {}, 0x0000


def draw_board(rng: Random, bus: str | None = None) -> Board:
    """A card at random: bus, row size, one to eight rows, drivers or none, clips or none."""
    bus = bus or rng.choice(("z80", "z80", "6502", "6502", "6809", "6800", "8085"))
    part = rng.choice(("2102", "2102", "2114", "2114", "2111", "2101", "2112", "6116", "6116", "2147", "4044", "6264"))
    bits, width = CHIP_SIZES[part]
    inputs, window = _decoder(bus, bits)
    low = 1 if window == 0 else rng.choice((0, 0, 1, 2))
    most = 3 if bits == 13 else 8 - low
    count = min(most, rng.choice((1, 2, 2, 3, 4, 4, 5, 8) if width < 8 else (1, 2, 3, 4, 6, 8)))
    prefix, number = rng.choice(("U", "IC", "Z")), rng.choice((1, 3, 12, 40))
    order = list(range(8))
    if rng.random() < 0.4:
        rng.shuffle(order)  # lanes in the order that the tracks came out
    rows = []
    for index in range(count):
        chips = []
        for slot in range(8 // width):
            lanes = tuple(sorted(order[slot * width : (slot + 1) * width]))
            chips.append(Chip(f"{prefix}{number}", part, lanes, index))
            number += 1
        stem = rng.choice(("row", "bank"))
        rows.append(Row(f"{stem}{index}", window + ((low + index) << bits), bits, tuple(chips), f"SEL{index}"))
    board = Board(rng.choice(NAMES), bus, rows, floats=rng.choice(("keep", "pull", "pull")), first_output=low)
    if inputs and rng.random() < 0.8:
        board.decoder, board.decoder_inputs = f"{prefix}{number}", inputs
        board.selects_clipped = rng.random() < 0.4
        number += 1
    if rng.random() < 0.6:
        split = count > 2 and rng.random() < 0.35
        groups = [tuple(range(count))] if not split else [tuple(range(count // 2)), tuple(range(count // 2, count))]
        halves = rng.random() < 0.3
        for served in groups:
            enable = f"BD{len(board.drivers)}" if rng.random() < 0.4 else None
            for lanes in (tuple(range(4)), tuple(range(4, 8))) if halves else (tuple(range(8)),):
                board.drivers.append(
                    Driver(f"{prefix}{number}", "8216" if halves else "74LS245", lanes, served, enable)
                )
                number += 1
    if rng.random() < 0.5:
        board.address_drivers.append(AddressDriver(f"{prefix}{number}", tuple(range(8))))
        if bits > 8:
            board.address_drivers.append(AddressDriver(f"{prefix}{number + 1}", tuple(range(8, bits))))
    board.rom_start = 0x0000 if bus in ("z80", "8085") else 0xF800
    board.rom_listed = rng.random() < 0.6
    board.gated = rng.random() < 0.75
    if bus in ("6502", "6800", "6809"):
        board.scratch = (0x0000, 0x01FF)
        board.scratch_listed = rng.random() < 0.5
    if rng.random() < 0.25:
        leave_out_high_lines(board, rng)
    return board


def leave_out_high_lines(board: Board, rng: Random) -> None:
    """Leaves high address lines without a clip where all memory stays told apart, and is in the board file."""
    spans = [(row.start, row.end) for row in board.rows] + [(board.rom_start, board.rom_start + len(board.rom) - 1)]
    if board.scratch:
        spans.append(board.scratch)
    used = set(board.decoder_inputs.values())
    for bit in rng.sample((15, 14, 13), 3)[: rng.choice((1, 2, 3))]:
        lost = sum(1 << int(name[1:]) for name in board.unclipped) | 1 << bit
        seen: set[int] = set()
        apart = True
        for start, end in spans:
            mine = {page & ~(lost >> 7) for page in range(start >> 7, (end >> 7) + 1)}
            apart = apart and not (mine & seen)
            seen |= mine
        if apart and f"A{bit}" not in used and bit >= board.rows[0].bits:
            board.unclipped.add(f"A{bit}")
    if board.unclipped:
        board.rom_listed = board.scratch_listed = True


def board_file(board: Board, wiring: dict[str, str] | None = None) -> str:
    """The board file, as the contract writes it."""

    def listed(names: list[str]) -> str:
        return "[" + ", ".join(f'"{name}"' for name in names) + "]"

    def lanes(of: tuple[int, ...]) -> str:
        if len(of) > 1 and of == tuple(range(of[0], of[0] + len(of))):
            return f'"D{of[0]}-D{of[-1]}"'
        return f'"D{of[0]}"' if len(of) == 1 else listed([f"D{lane}" for lane in of])

    out = ["[board]", f'name = "{board.name}"', f'bus = "{board.bus}"', ""]
    if wiring:
        out += ["[wiring]", *(f'{line} = "{channel}"' for line, channel in wiring.items()), ""]
    for row in board.rows:
        out += [
            "[[region]]",
            f'name = "{row.name}"',
            f"start = 0x{row.start:04X}",
            f"end = 0x{row.end:04X}",
            'kind = "ram"',
        ]
        if board.decoder:
            out.append(f'select = "{row.select}"')
        out.append("chips = [")
        out += [
            f'  {{ designator = "{c.designator}", part = "{c.part}", lanes = {lanes(c.lanes)} }},' for c in row.chips
        ]
        out += ["]", ""]
    if board.rom_listed:
        out += ["[[region]]", 'name = "monitor"', f"start = 0x{board.rom_start:04X}"]
        out += [f"end = 0x{board.rom_start + len(board.rom) - 1:04X}", 'kind = "rom"', 'image = "monitor.bin"', ""]
    if board.scratch and board.scratch_listed:
        out += [
            "[[region]]",
            'name = "scratch"',
            f"start = 0x{board.scratch[0]:04X}",
            f"end = 0x{board.scratch[1]:04X}",
        ]
        out += ['kind = "ram"', ""]
    if board.decoder:
        pins = ", ".join(f'{pin} = "{line}"' for pin, line in board.decoder_inputs.items())
        outs = ", ".join(f'Y{board.first_output + i} = "{row.select}"' for i, row in enumerate(board.rows))
        out += ["[[decoder]]", f'designator = "{board.decoder}"', 'part = "74LS138"']
        out += [f"inputs = {{ {pins} }}", f"outputs = {{ {outs} }}", ""]
    turn = 'direction = { line = "RD", to_cpu = 0 }'
    if board.bus in ("6502", "6800", "6809"):
        turn = 'direction = { line = "RW", to_cpu = 1 }'
    for driver in board.drivers:
        out += ["[[buffer]]", f'designator = "{driver.designator}"', f'part = "{driver.part}"']
        out += [
            f"lanes = {lanes(driver.lanes)}",
            f"serves = {listed([board.rows[r].name for r in driver.serves])}",
            turn,
        ]
        if driver.enable:
            out.append(f'enable = {{ line = "{driver.enable}", active = 0 }}')
        out.append("")
    for buffer in board.address_drivers:
        out += ["[[buffer]]", f'designator = "{buffer.designator}"', 'part = "74LS244"']
        out += [f"lines = {listed([f'A{line}' for line in buffer.lines])}"]
        out += [f"serves = {listed([row.name for row in board.rows])}", ""]
    return "\n".join(out)
