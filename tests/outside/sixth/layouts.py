"""Machines drawn from a seed: what is where, which parts, and the board file that says so.

RAM types by organisation (Intel, Motorola and Hitachi data sheets): 2102 1Kx1, 2147/4044 4Kx1, 2111/2112 256x4,
2114 1Kx4, 6810 128x8, 6116 2Kx8, 6264 8Kx8, 4116 16Kx1. ROM: 2716 2Kx8, 2732 4Kx8.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from .asm import Asm
from .card import Card, Chip, Row
from .code_6502 import M6502Writer
from .code_6800 import M6800Writer
from .code_z80 import Z80Writer
from .programs import Window, Writer, fill

RAMS = {  # part: (words, bits)
    "2102": (1024, 1), "2147": (4096, 1), "4044": (4096, 1), "2111": (256, 4), "2112": (256, 4), "2114": (1024, 4),
    "6810": (128, 8), "6116": (2048, 8), "6264": (8192, 8), "4116": (16384, 1),
}  # fmt: skip
PARTS = {
    "z80": ("2102", "2114", "2114", "6116", "2147", "4044", "4116", "6264", "2111"),
    "6502": ("2114", "2102", "6116", "2147", "2114"),
    "6800": ("2102", "6810", "2111", "2114", "2112", "6116"),
}
WRITERS: dict[str, type[Writer]] = {"z80": Z80Writer, "6502": M6502Writer, "6800": M6800Writer}
NAMES = ("Organ stop", "Cash drawer", "Lathe feed", "Tote board", "Sorting gate", "Lift motor", "Dye bath", "Tram fare")


@dataclass
class Layout:
    """One machine: its card, its program, and how it is wired and clipped."""

    cpu: str
    name: str
    card: Card
    windows: list[list[Window]]
    inputs: dict[str, str] = field(default_factory=dict)  # the decoder's
    outputs: dict[str, str] = field(default_factory=dict)
    clip_selects: bool = False
    clip_enable: bool = False
    interrupts: int = 0
    rom_in_file: bool = True
    edits: dict[str, str] = field(default_factory=dict)  # changes to the board file, for odd machines
    hidden: set[int] = field(default_factory=set)  # rows that the board file leaves out


def decoder_for(draw: Random, cpu: str, base: int, size: int, rows: int) -> tuple[str, dict[str, str], list[str]]:
    """Choose a decoder: its type, its inputs, and the output of each row. Exact, with a card select if need be."""
    bits = size.bit_length() - 1
    first = base // size
    wide = 3 if rows > 4 or draw.random() < 0.6 else 2
    if first % (1 << wide) + rows > 1 << wide:
        wide = 3
    lines = [f"A{bits + n}" for n in range(wide) if bits + n < 16]
    upper = list(range(bits + len(lines), 16))
    gate = {"z80": "MREQ", "6800": "VMA", "6502": ""}[cpu]
    where = [(first + n) % (1 << len(lines)) for n in range(rows)]
    if len(lines) == 2:
        inputs = {"1A": lines[0], "1B": lines[1], "1G": "BOARD"}
        return "74LS139", inputs, [f"1Y{n}" for n in where]
    if draw.random() < 0.25:
        inputs = dict(zip("ABC", lines, strict=False)) | {"D": "BOARD"}
        return "74LS42", inputs, [f"Y{n}" for n in where]
    inputs = dict(zip("ABC", lines, strict=False))
    ones = [b for b in upper if base >> b & 1]
    zeros = [b for b in upper if not base >> b & 1]
    if len(ones) + (cpu == "6800") <= 1 and len(zeros) + (cpu == "z80") <= 2 and draw.random() < 0.7:
        lows = [f"A{b}" for b in zeros] + ([gate] if cpu == "z80" else [])
        inputs |= dict(zip(("G2A", "G2B"), lows, strict=False))
        if ones:
            inputs["G1"] = f"A{ones[0]}"
        elif cpu == "6800":
            inputs["G1"] = gate
    else:
        inputs["G2A"] = "BOARD"
    return "74LS138", inputs, [f"Y{n}" for n in where]


def draw_layout(draw: Random, cpu: str | None = None, extra: str = "") -> Layout:
    """Draw a machine and assemble its program."""
    cpu = cpu or draw.choice(("z80", "z80", "6502", "6800"))
    part = draw.choice(PARTS[cpu])
    words, bits = RAMS[part]
    most = {128: 7, 256: 7, 1024: 7, 2048: 6, 4096: 4, 8192: 3, 16384: 2}[words]
    rows = draw.randint(1 if words > 1024 else 2, most)
    if cpu == "6502":
        base, rows = 0, max(rows, 1)
    elif cpu == "6800":
        base = draw.choice((0, 0, 0x2000, 0x4000))
    else:
        base = draw.choice((0x4000, 0x8000, 0xC000, 0x2000 if words <= 2048 else 0x8000))
        rows = min(rows, (0x10000 - base) // words)
    base -= base % words
    rom_size = 4096
    rom_at = {"z80": 0, "6502": 0xF000, "6800": 0xF000}[cpu]
    number = draw.choice((1, 3, 5, 10, 20))
    prefix = draw.choice(("U", "IC", "Z", "N"))

    def name() -> str:
        nonlocal number
        number += 1
        return f"{prefix}{number - 1}"

    card_rows = [Row("boot", rom_at, rom_size, "rom", [Chip(name(), "2732", 0xFF)], None)]
    stem = draw.choice(("row", "bank", "ram", "store"))
    for n in range(rows):
        chips = [Chip(name(), part, ((1 << bits) - 1) << at) for at in range(0, 8, bits)]
        card_rows.append(Row(f"{stem}{n}", base + n * words, words, "ram", chips, f"CS{n}"))
    kind = draw.choice(("none", "74LS245", "8T28", "74LS245", "8216"))
    driver = []
    if kind == "74LS245":
        driver = [Chip(name(), kind, 0xFF)]
    elif kind != "none":
        driver = [Chip(name(), kind, 0x0F), Chip(name(), kind, 0xF0)]
    buffers: list[tuple[str, str, tuple[int, ...]]] = []
    if draw.random() < 0.6:
        low = min(8, words.bit_length() - 1)
        buffers.append((name(), "74LS244", tuple(range(low))))
        if words > 256 and draw.random() < 0.6:
            buffers.append((name(), "74LS244", tuple(range(8, words.bit_length() - 1))))
    dec_part, inputs, outs = decoder_for(draw, cpu, base, words, rows)
    decoder = (name(), dec_part)
    pull = draw.random() < 0.5
    inner = kind in ("74LS245", "8T28") or draw.random() < 0.5
    card = Card(card_rows, driver, kind, buffers, decoder, pull, inner, seed=draw.randrange(1 << 30))
    layout = Layout(cpu, f"{draw.choice(NAMES)} controller", card, [])
    layout.inputs = inputs
    layout.outputs = {out: f"CS{n}" for n, out in enumerate(outs)}
    layout.clip_selects = draw.random() < 0.35
    layout.clip_enable = draw.random() < 0.3
    layout.interrupts = draw.choice((0, 0, 150, 400))
    layout.rom_in_file = draw.random() < 0.7
    program(draw, layout, extra)
    return layout


def windows_for(draw: Random, row: Row, keep: tuple[int, int]) -> list[Window]:
    """Choose the cells to be tested in a row: a block, and often cells spread over all of it."""
    low, high = row.start, row.start + row.size
    if keep[0] <= low < keep[1]:
        low = keep[1]
    elif keep[0] < high <= keep[1]:
        high = keep[0]
    room = high - low
    found = []
    if room < 8:
        return []
    count = min(room, draw.choice((16, 24, 32, 48)))
    found.append(Window(low + draw.randrange(room - count + 1), count))
    if room >= 128:
        step = draw.choice((row.size // 16, row.size // 32, room // 24, room // 32 | 1, 33, room // 16 + 1))
        found.append(Window(low + draw.randrange(max(1, step)), min(32, (room - step) // step), step))
    return [w for w in found if w.count > 1]


def program(draw: Random, layout: Layout, extra: str) -> None:
    """Assemble what the machine runs and burn it into the ROM."""
    card, cpu = layout.card, layout.cpu
    rom, last = card.rows[0], card.rows[-1]
    if cpu == "6502":
        keep, scratch, stack = (0, 0x200), 0x20, 0x1FF
    else:
        end = last.start + last.size
        size = 64 if last.size == 128 else 128
        keep, scratch, stack = (end - size, end), end - size, end - 1
    a = Asm(rom.start, cpu == "6800")
    w = WRITERS[cpu](a, scratch, draw.random() < 0.2)
    w.begin(stack)
    layout.windows = [windows_for(draw, row, keep) for row in card.rows[1:]]
    tested = [ws for ws in layout.windows if ws]
    if len(tested) > 3 and draw.random() < 0.4:
        tested = draw.sample(tested, len(tested) - 1)
    everyday = [ws[0] for ws in tested if ws[0].count >= 32 and draw.random() < 0.7]
    if extra == "uninitialised":
        for ws in tested[:2]:
            w.add_up(ws[0].start, ws[0].count)
    jobs = extra_jobs(layout, w, tested, extra)
    while True:
        mark = (len(a.code), len(a.fixes), dict(a.labels))
        fill(w, (rom.start, rom.start + 512), tested, everyday, draw, jobs)
        w.end(True)
        if len(a.code) < rom.size - 16:
            break
        del a.code[mark[0] :], a.fixes[mark[1] :]
        a.labels = mark[2]
        tested = [ws[:1] for ws in tested][: max(1, len(tested) - 1)]
    image = a.done(rom.size)
    if cpu != "z80":
        order = (1, 0) if cpu == "6800" else (0, 1)
        irq = a.labels["irq"].to_bytes(2, "little")
        start = rom.start.to_bytes(2, "little")
        for at, vector in ((0x8 if cpu == "6800" else 0xE, irq), (0xE if cpu == "6800" else 0xC, start)):
            image[rom.size - 16 + at] = vector[order[0]]
            image[rom.size - 16 + at + 1] = vector[order[1]]
    rom.image = bytes(image)


def extra_jobs(layout: Layout, w: Writer, tested: list[list[Window]], extra: str) -> list[Callable[[], None]]:
    """Give what the program of an odd machine does beside the tests."""
    if not tested:
        return []
    card, window = layout.card, tested[0][0]
    few = Window(window.start, min(window.count, 16))
    if extra == "self_modifying":
        return [lambda: w.modify(few.start)]
    if extra != "answers_twice":
        return []
    row = next(n for n, r in enumerate(card.rows) if r.start <= few.start < r.start + r.size)
    size = card.rows[row].size
    taken = [(r.start, r.start + r.size) for r in card.rows] + [(0xC000, 0xC010), (0x8000, 0x8010)]
    free = [
        a for a in range(0, 0x10000, size) if all(a + size <= low or a >= high for low, high in taken)
    ]  # fmt: skip
    if not free:
        return []
    card.twice = [(free[-1], row)]
    other = Window(few.start - card.rows[row].start + free[-1], few.count)

    def job() -> None:
        w.each(few, lambda: w.put(0x11))
        w.each(other, lambda: w.put(0x2E))
        w.each(few, lambda: w.check(0x2E))

    return [job]


def lanes_text(mask: int) -> str:
    """Write a mask as lanes."""
    lanes = [n for n in range(8) if mask >> n & 1]
    return f"D{lanes[0]}" if len(lanes) == 1 else f"D{lanes[0]}-D{lanes[-1]}"


def board_text(layout: Layout) -> str:
    """Write the board file."""
    card = layout.card
    profile = layout.edits.get("bus", layout.cpu)
    out = [f'[board]\nname = "{layout.name}"\nbus = "{profile}"\n']
    rams = []
    for number, row in enumerate(card.rows):
        if (row.kind == "rom" and not layout.rom_in_file) or number in layout.hidden:
            continue
        out.append(f'[[region]]\nname = "{row.name}"\nstart = 0x{row.start:04X}')
        out.append(f"end = 0x{row.start + row.size - 1:04X}")
        out.append(f'kind = "{layout.edits.get("kind:" + row.name, row.kind)}"')
        if row.select:
            out.append(f'select = "{row.select}"')
            rams.append(f'"{row.name}"')
        if row.kind == "rom":
            out.append('image = "rom.bin"')
        out.append(layout.edits.get(row.name, "").rstrip())
        out.append("chips = [")
        out += [
            f'  {{ designator = "{c.designator}", part = "{c.part}", lanes = "{lanes_text(c.mask)}" }},'
            for c in row.chips
        ]
        out.append("]\n")
    serves = "[" + ", ".join(rams) + "]"
    if card.decoder:
        ins = ", ".join(f'{k} = "{v}"' if k.isalpha() else f'"{k}" = "{v}"' for k, v in layout.inputs.items())
        shown = {k: v for k, v in layout.outputs.items() if int(v[2:]) + 1 not in layout.hidden}
        outs = ", ".join(f'"{k}" = "{v}"' for k, v in shown.items())
        out.append(f'[[decoder]]\ndesignator = "{card.decoder[0]}"\npart = "{card.decoder[1]}"')
        out.append(f"inputs = {{ {ins} }}\noutputs = {{ {outs} }}\n")
    direction = '{ line = "RD", to_cpu = 0 }' if layout.cpu == "z80" else '{ line = "RW", to_cpu = 1 }'
    for chip in card.driver:
        out.append(f'[[buffer]]\ndesignator = "{chip.designator}"\npart = "{chip.part}"')
        out.append(f'lanes = "{lanes_text(chip.mask)}"')
        out.append(f"serves = {serves}\ndirection = {direction}")
        if layout.clip_enable:
            out.append('enable = { line = "CARD", active = 0 }')
        out.append("")
    for name, part, lines in card.buffers:
        names = ", ".join(f'"A{n}"' for n in lines)
        out.append(f'[[buffer]]\ndesignator = "{name}"\npart = "{part}"\nlines = [{names}]\nserves = {serves}\n')
    return "\n".join(out)
