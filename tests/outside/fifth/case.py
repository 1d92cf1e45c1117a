"""A case: what was clipped and how, painted, sampled and written with its board file and its truth."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass, field
from pathlib import Path

from tests.outside.fifth import analyser, boardfile, selects, vcd
from tests.outside.fifth.analyser import Analyser
from tests.outside.fifth.buses import Painter, Timing
from tests.outside.fifth.cards import Layout
from tests.outside.fifth.engine import Trace
from tests.outside.fifth.wires import Wires

CONTROL = {"z80": ["MREQ", "IORQ", "RD", "WR", "M1", "RFSH"], "8085": ["ALE", "RD", "WR", "IOM", "S0", "S1"],
           "6502": ["PHI2", "RW", "SYNC"], "6800": ["PHI2", "RW", "VMA"], "6809": ["E", "Q", "RW", "BA", "BS"]}
LOW = {"MREQ", "IORQ", "RD", "WR", "M1", "RFSH", "WAIT", "BUSAK", "HALT", "INTA"}


@dataclass
class Setup:
    """How it was clipped and taken, and what is on file."""

    how: Analyser
    board: bool = True
    leave_out: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()  # lines not clipped
    more: list[str] = field(default_factory=list)  # further lines clipped
    style: str = "plain"
    options: list[str] = field(default_factory=list)  # of the command


def rate(draw: random.Random, timing: Timing) -> float:
    """A sample rate that a careful person would choose for the bus."""
    if timing.bus in ("6502", "6800", "6809"):
        return draw.choice([16e6, 20e6, 24e6, 24e6, 25e6, 48e6, 50e6, 100e6])
    if timing.clock_ns < 300:
        return draw.choice([40e6, 48e6, 50e6, 100e6, 100e6])
    return draw.choice([24e6, 25e6, 32e6, 48e6, 50e6, 100e6])


def setup(draw: random.Random, layout: Layout, timing: Timing) -> Setup:
    """A usual way to clip and record."""
    made = Setup(Analyser(rate(draw, timing), draw.choice([2.0, 6.0, 10.0]), draw.choice([0.0, 0.0005, 0.002])))
    made.style = draw.choice(["plain", "plain", "slash", "channels"])
    rows = [one.select for one in layout.card.regions if one.select]
    if rows and len(rows) <= 4 and draw.random() < 0.35:
        made.more += [name for name in rows if name]
    clocked = timing.bus in ("6502", "6800", "6809")
    if draw.random() < 0.2 and made.how.rate_hz >= (24e6 if clocked else 48e6):
        made.how.stray = draw.choice([0.0005, 0.001])
    return made


def spare_lines(draw: random.Random, trace: Trace, layout: Layout, most: int) -> frozenset[str]:
    """High address lines that can be left off: no two accessed cells, no two regions, and no region and other
    traffic come to look alike."""
    addresses = {c.address for c in trace.cycles if c.kind not in ("idle", "in", "out")}
    regions = [set(range(one.start >> 6, (one.end >> 6) + 1)) for one in layout.card.regions]
    inside = set().union(*regions)
    outside = {address >> 6 for address in addresses} - inside
    out: list[str] = []
    mask = 0xFFFF
    for line in draw.sample(range(8, 16), 8):
        if len(out) >= most:
            break
        less = mask & ~(1 << line)
        seen = [{page & (less >> 6) for page in pages} for pages in [*regions, outside]]
        if len({address & less for address in addresses}) == len(addresses) and (
                sum(len(pages) for pages in seen) == len(set().union(*seen))):
            mask = less
            out.append(f"A{line}")
    return frozenset(out)


def names(card_bus: str, lines: list[str], style: str, draw: random.Random) -> tuple[dict[str, str], dict[str, str]]:
    """Channel name of each line, and the [wiring] that says so, if any is needed."""
    out: dict[str, str] = {}
    wiring: dict[str, str] = {}
    order = list(range(len(lines)))
    draw.shuffle(order)
    for place, line in zip(order, lines, strict=True):
        told = f"AD{line[1:]}" if card_bus == "8085" and line[0] == "D" and line[1:].isdigit() else line
        if style == "channels":
            out[line] = f"ch{place}"
            wiring[told] = f"ch{place}"
        elif style == "slash" and line in LOW:
            out[line] = f"/{told}"
        else:
            out[line] = told
    return out, wiring


def write(folder: Path, layout: Layout, timing: Timing, trace: Trace, setup: Setup, draw: random.Random,
          truth: dict[str, object]) -> None:
    """Paints the run, samples it and writes the folder."""
    card = layout.card
    folder.mkdir(parents=True, exist_ok=True)
    wires = Wires(random.Random(draw.getrandbits(32)))
    painter = Painter(card, timing, wires, random.Random(draw.getrandbits(32)))
    for cycle, when in zip(trace.cycles, trace.times, strict=True):
        painter.paint(cycle, when + 700.0)
    selects.paint(card, wires, trace.cycles, [when + 700.0 for when in trace.times])
    lines = [*(f"A{i}" for i in range(8 if card.bus == "8085" else 0, 16)), *(f"D{i}" for i in range(8)),
             *CONTROL[card.bus], *setup.more]
    lines = [line for line in lines if line not in setup.missing]
    end = trace.end + 700.0 + timing.clock_ns
    samples, period = analyser.sample(wires.level_lists(), lines, setup.how, draw, end)
    style = setup.style if setup.board or setup.style != "channels" else "plain"
    channel, wiring = names(card.bus, lines, style, draw)
    vcd.write(folder / "capture.vcd", samples, channel, period, end, setup.how.gaps if setup.how.dump_off else [])
    if setup.board:
        boardfile.write(folder, card, wiring or None, setup.leave_out)
    truth = {"profile": card.bus, "board": setup.board, "rate_hz": setup.how.rate_hz, "missing": sorted(setup.missing),
             "cycles": len(trace.cycles), "options": setup.options, **truth}
    rows = [f"{c.kind},{c.address:04X},{c.data:02X}" for c in trace.cycles if c.kind != "idle"]
    (folder / "cycles.csv").write_text("\n".join(rows) + "\n")
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
