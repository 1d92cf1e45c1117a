"""A card drawn from real parts: which pin stands on which net, which row answers where, and its board file."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from .parts import PARTS, RAM, Part

CLOCKED = ("6502", "6800", "6809")
CONTROLS = {
    "6502": ("PHI2", "RW"), "6800": ("PHI2", "RW"), "6809": ("E", "RW"), "z80": ("MREQ", "RD", "WR"),
    "8085": ("IOM", "RD", "WR"), "8080-8228": ("MEMR", "MEMW"), "1802": ("MRD", "MWR"),
}  # fmt: skip
READ = {"z80": "RD", "8085": "RD", "8080-8228": "MEMR", "1802": "MRD"}
WRITE = {"z80": "WR", "8085": "WR", "8080-8228": "MEMW", "1802": "MWR"}


@dataclass
class Chip:
    """One part in its socket; ``at`` says the net of each pin that has one."""

    name: str
    part: Part
    at: dict[str, str]


@dataclass
class Row:
    """One row of memory: what answers to one select."""

    name: str
    start: int
    size: int
    rom: bool
    select: str
    chips: list[tuple[str, str, str]]
    image: bytes = b""


@dataclass
class Card:
    """All of a card that the simulation and the board file need."""

    cpu: str
    chips: list[Chip] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    decoders: list[str] = field(default_factory=list)
    buffers: list[str] = field(default_factory=list)
    floats: dict[str, int] = field(default_factory=dict)
    pulls: set[str] = field(default_factory=set)
    clipped: list[str] = field(default_factory=list)
    far: bool = False
    style: str = ""

    def chip(self, name: str) -> int:
        """Find a chip by its designator."""
        return next(i for i, c in enumerate(self.chips) if c.name == name)

    def board(self, extra: str = "") -> str:
        """Write the board file."""
        text = [f'[board]\nname = "card of nets"\nbus = "{self.cpu}"\ndescription = "{self.style}"\n']
        code = 0x0100 if self.rows[0].start >= 0x8000 else 0x8000
        code &= 0xF000
        text.append(f'[[region]]\nname = "program"\nstart = {code:#06x}\nend = {code + 0x7FFF:#06x}')
        text.append('kind = "rom"\n')
        for row in self.rows:
            text.append(f'[[region]]\nname = "{row.name}"\nstart = {row.start:#06x}')
            text.append(f'end = {row.start + row.size - 1:#06x}\nkind = "{"rom" if row.rom else "ram"}"')
            text.append(f'select = "{row.select}"')
            if row.rom:
                text.append(f'image = "{row.name}.bin"')
            text.append("chips = [")
            text += [f'  {{ designator = "{d}", part = "{p}", lanes = "{lanes}" }},' for d, p, lanes in row.chips]
            text.append("]\n")
        return "\n".join(text + self.decoders + self.buffers) + "\n" + extra


@dataclass(frozen=True)
class Plan:
    """What a card shall be made of."""

    cpu: str
    part: str
    rows: int
    driver: str  # none, 245, 8T28, 244
    buffered: bool
    decoder: str  # 138, 139, 42
    rom: bool
    base: int
    pull_ups: bool
    holds: bool
    far: bool
    selects: bool


def draw_plan(rng: Random) -> Plan:
    """Draw a plan at random."""
    cpu = rng.choice(["6502", "6800", "6809", "z80", "z80", "8085", "8080-8228", "1802"])
    part = rng.choice(["2102", "2114", "2114", "2147", "6116", "6116", "6264"])
    if part == "2102":
        driver = "8T28" if cpu in CLOCKED else rng.choice(["8T28", "244"])
    elif cpu in ("8085", "1802"):
        driver = "245"
    else:
        driver = rng.choice(["none", "245", "245"])
    decoder = rng.choice(["138", "138", "139", "42"])
    rom = part in ("6116", "2147") and rng.random() < 0.6
    rows = rng.randint(1, 2 if part == "6264" else 4 if decoder == "139" else 6 if part in ("2114", "6116") else 3)
    buffered = cpu in ("8085", "1802") or rng.random() < 0.5
    return Plan(cpu, part, min(rows, 3) if rom else rows, driver, buffered, decoder, rom, rng.choice([1, 2]),
                rng.random() < 0.3, rng.random() < 0.6, rng.random() < 0.3, rng.random() < 0.4)  # fmt: skip


def build(plan: Plan, rng: Random) -> Card:
    """Put the parts on the card and run the tracks."""
    card = Card(plan.cpu, style=f"{plan.rows} rows of {plan.part}, {plan.decoder}, driver {plan.driver}")
    part = PARTS[plan.part]
    clocked = plan.cpu in CLOCKED
    number = iter(range(1, 99))
    size = 1 << part.address
    base = plan.base << 14
    rows = plan.rows + (1 if plan.rom else 0)
    we = "RW" if clocked else WRITE[plan.cpu]
    rd = "RW" if clocked else READ[plan.cpu]
    buffers: list[Chip] = []

    def line(bit: int) -> str:
        return f"B_A{bit}" if plan.buffered else f"A{bit}"

    data = "D" if plan.driver == "none" else "MD"
    for r in range(rows):
        rom = plan.rom and r == rows - 1
        kind = PARTS[{"6116": "2716", "2147": "2732"}[plan.part]] if rom else part
        chips = []
        for lane in range(0, 8, kind.data):
            name = f"U{next(number)}"
            at = {"VCC": "VCC", "GND": "GND", "VPP": "VCC", "CS2": "VCC"}
            at.update({f"A{i}": line(i) for i in range(kind.address)})
            if kind.separate:
                joined = plan.driver in ("none", "245")
                at["DI0"] = f"{data}{lane}" if joined else f"MI{lane}"
                at["DO0"] = f"{data}{lane}" if joined else f"MO{lane}"
            else:
                at.update({f"D{i}": f"{data}{lane + i}" for i in range(kind.data)})
            order = kind.order()
            at[order[2]] = f"CS{r}"
            if kind.kind == RAM:
                at[order[3]] = we
            at["OE"] = "GND" if clocked and not rom else "CARD" if clocked else rd
            card.chips.append(Chip(name, kind, {p: at[p] for p in kind.pins if p in at}))
            chips.append((name, kind.name, f"D{lane}" if kind.data == 1 else f"D{lane}-D{lane + kind.data - 1}"))
        image = bytes(rng.choice([rng.randrange(256), 0x20, 0xA9, 0x00]) for _ in range(size)) if rom else b""
        label = f"rom{r}" if rom else f"row{r}"
        card.rows.append(Row(label, base + r * size, size, rom, f"CS{r}", chips, image))
    low = part.address
    _decode(card, plan, [line(b) for b in (low, low + 1, low + 2)], rows, f"U{next(number)}", f"U{next(number)}")
    names = [r.name for r in card.rows]
    serves = "[" + ", ".join(f'"{n}"' for n in names) + "]"
    if plan.buffered:
        for k in (0, 8):
            name = f"U{next(number)}"
            at = {"VCC": "VCC", "GND": "GND", "1G": "GND", "2G": "GND"}
            for i in range(8):
                at[f"{1 + i // 4}A{i % 4 + 1}"] = f"A{k + i}"
                at[f"{1 + i // 4}Y{i % 4 + 1}"] = f"B_A{k + i}"
            buffers.append(Chip(name, PARTS["74LS244"], at))
            lines = ", ".join(f'"A{k + i}"' for i in range(8))
            card.buffers.append(
                f'[[buffer]]\ndesignator = "{name}"\npart = "74LS244"\nlines = [{lines}]\nserves = {serves}\n'
            )
    card.chips += buffers
    _drivers(card, plan, number, rd, serves)
    for i in range(8):
        card.floats[f"D{i}"] = -1 if plan.holds or plan.driver == "none" else 1
        card.floats[f"MD{i}"] = card.floats[f"MI{i}"] = card.floats[f"MO{i}"] = -1 if plan.holds else 1
        if plan.pull_ups:
            card.pulls.add(f"D{i}")
    if plan.selects:
        card.clipped = [r.select for r in card.rows] + (["CARD"] if plan.driver != "none" else [])
    return card


def _decode(card: Card, plan: Plan, lines: list[str], rows: int, first: str, second: str) -> None:
    high = [("B_" if plan.buffered else "") + f"A{b}" for b in (14, 15)]
    supply = {"VCC": "VCC", "GND": "GND"}
    strobe = {"z80": "MREQ", "8085": "IOM"}.get(plan.cpu, "GND")
    one = {**supply, "1A": high[0], "1B": high[1], "1G": strobe, f"1Y{plan.base}": "CARD"}
    selects = {f"{{}}{r}": f"CS{r}" for r in range(rows)}
    said = [("1A", "A14"), ("1B", "A15")] + ([("1G", strobe)] if strobe != "GND" else [])
    plain = [name.removeprefix("B_") for name in lines]
    used = [int(name[1:]) < 14 for name in plain]
    lines = [name if known else "GND" for name, known in zip(lines, used, strict=True)]
    outs = [(f"1Y{plan.base}", "CARD")]
    if plan.decoder == "139":
        one.update({"2A": lines[0], "2B": lines[1], "2G": "CARD"})
        one.update({k.format("2Y"): v for k, v in selects.items()})
        said += [("2A", plain[0])] + ([("2B", plain[1])] if used[1] else []) + [("2G", "CARD")]
        outs += [(k.format("2Y"), v) for k, v in selects.items()]
    else:
        one.update({"2A": "GND", "2B": "GND", "2G": "VCC"})
    card.chips.append(Chip(first, PARTS["74LS139"], one))
    _say(card, first, "74LS139", said, outs)
    if plan.decoder == "139":
        return
    ins = dict(zip("ABC", lines, strict=True))
    known = [(pin, name) for pin, name, use in zip("ABC", plain, used, strict=True) if use]
    if plan.decoder == "138":
        gate = CONTROLS[plan.cpu][0] if plan.cpu in CLOCKED else "VCC"
        ins.update({"G2A": "CARD", "G2B": "GND", "G1": gate})
        known += [("G2A", "CARD")] + ([("G1", gate)] if gate != "VCC" else [])
        part = "74LS138"
    else:
        ins["D"] = "CARD"
        known += [("D", "CARD")]
        part = "74LS42"
    card.chips.append(Chip(second, PARTS[part], {**supply, **ins, **{k.format("Y"): v for k, v in selects.items()}}))
    _say(card, second, part, known, [(k.format("Y"), v) for k, v in selects.items()])


def _say(card: Card, name: str, part: str, ins: list[tuple[str, str]], outs: list[tuple[str, str]]) -> None:
    def table(pairs: list[tuple[str, str]]) -> str:
        return "{ " + ", ".join(f'{k} = "{v}"' if k.isalpha() else f'"{k}" = "{v}"' for k, v in pairs) + " }"

    card.decoders.append(
        f'[[decoder]]\ndesignator = "{name}"\npart = "{part}"\ninputs = {table(ins)}\noutputs = {table(outs)}\n'
    )


def _drivers(card: Card, plan: Plan, number: object, rd: str, serves: str) -> None:
    assert hasattr(number, "__next__")
    clocked = plan.cpu in CLOCKED
    supply = {"VCC": "VCC", "GND": "GND"}
    way = f'direction = {{ line = "{rd}", to_cpu = {1 if clocked else 0} }}\n'
    way += 'enable = { line = "CARD", active = 0 }\n'

    def say(name: str, part: str, lanes: str) -> None:
        card.buffers.append(
            f'[[buffer]]\ndesignator = "{name}"\npart = "{part}"\nlanes = "{lanes}"\nserves = {serves}\n{way}'
        )

    if plan.driver == "245":  # DIR low carries B to A: RD low in a read asks for the bus on A, RW high for the bus on B
        name = f"U{next(number)}"
        bus, own = ("B", "A") if clocked else ("A", "B")
        at = {**supply, "DIR": rd, "G": "CARD"}
        for i in range(8):
            at[f"{bus}{i + 1}"] = f"D{i}"
            at[f"{own}{i + 1}"] = f"MD{i}"
        card.chips.append(Chip(name, PARTS["74LS245"], at))
        if plan.far:
            card.far = True
            way += "far_side = { " + ", ".join(f'D{i} = "MD{i}"' for i in range(8)) + " }\n"
        say(name, "74LS245", "D0-D7")
    if plan.driver == "8T28":
        gate = f"U{next(number)}"
        nor = {**supply, "1A": "CARD", "1B": rd, "1Y": "DE"}
        if clocked:
            nor.update({"2A": "RW", "2B": "RW", "2Y": "RW_N", "1B": "RW_N"})
        nor.update({f"{g}{p}": "GND" for g in "234" for p in "AB" if f"{g}{p}" not in nor})
        card.chips.append(Chip(gate, PARTS["74LS02"], nor))
        for half in (0, 4):
            name = f"U{next(number)}"
            at = {**supply, "RE": "GND", "DE": "DE"}
            for i in range(4):
                at.update({f"R{i}": f"MI{half + i}", f"B{i}": f"D{half + i}", f"D{i}": f"MO{half + i}"})
            card.chips.append(Chip(name, PARTS["8T28"], at))
            say(name, "8T28", f"D{half}-D{half + 3}")
    if plan.driver == "244":
        gate = f"U{next(number)}"
        either = {**supply, "1A": "CARD", "1B": rd, "1Y": "OUT_G"}
        either.update({f"{g}{p}": "GND" for g in "234" for p in "AB"})
        card.chips.append(Chip(gate, PARTS["74LS32"], either))
        for way_out in (True, False):
            name = f"U{next(number)}"
            at = {**supply, "1G": "OUT_G" if way_out else "GND", "2G": "OUT_G" if way_out else "GND"}
            for i in range(8):
                k = f"{1 + i // 4}{{}}{i % 4 + 1}"
                at[k.format("A")] = f"MO{i}" if way_out else f"D{i}"
                at[k.format("Y")] = f"D{i}" if way_out else f"MI{i}"
            card.chips.append(Chip(name, PARTS["74LS244"], at))
            card.buffers.append(
                f'[[buffer]]\ndesignator = "{name}"\npart = "74LS244"\nlanes = "D0-D7"\nserves = {serves}\n'
                f'direction = {{ line = "{rd}", to_cpu = 0 }}\n'
                if way_out
                else f'[[buffer]]\ndesignator = "{name}"\npart = "74LS244"\nlanes = "D0-D7"\nserves = {serves}\n'
            )
