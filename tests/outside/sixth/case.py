"""A case: machine, run, capture, truth, in a folder."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from . import truth
from .analyser import Clips, record, write_vcd
from .card import Card, Fault, Quirk
from .cpus import RUNNERS, Bus, Log
from .faults import draw_fault, intermittently
from .layouts import Layout, board_text, draw_layout
from .truth import Ledger
from .waves import Edges, draw_edges

Json = dict[str, Any]


@dataclass
class Case:
    """Everything of one case before it is written."""

    layout: Layout
    log: Log
    books: Ledger
    clips: Clips
    edges: Edges
    shown: list[str]
    facts: Json
    faults: list[Fault] = field(default_factory=list)
    skip: int = 0
    quirk: Quirk | None = None
    waits: int = 0


def run(layout: Layout, limit: int, quirk: Quirk | None = None, reset_at: int = 0, dma: bool = False) -> Log:
    """Run the machine's program on its card; `reset_at`: the access at which somebody presses reset."""
    bus = Bus(layout.card, reset_at or limit, quirk)
    if dma:
        window = next(w[0] for w in layout.windows if w)
        bus.dma = (layout.card.rows[0].start + 40, window.start, min(window.count, 12))
    if reset_at:
        RUNNERS[layout.cpu](bus, layout.interrupts)
        bus.limit, bus.full = limit, False
    RUNNERS[layout.cpu](bus, layout.interrupts)
    return bus.log


def setting(draw: Random, layout: Layout, log: Log, skip: int, waits: int = 0) -> tuple[Edges, Clips, list[str]]:
    """Draw the waves of a run and an analyser for them."""
    fast = draw.random() < 0.5 if layout.cpu == "z80" else draw.random() < 0.2
    gated = "MREQ" in layout.inputs.values() or (layout.cpu != "z80" and draw.random() < 0.3)
    edges = draw_edges(log, layout.cpu, layout.card, draw, fast, draw.random() < 0.15, gated, waits)
    least = {("z80", True): 24, ("z80", False): 16, ("6502", False): 12, ("6800", False): 12}.get(
        (layout.cpu, fast), 24
    )
    rate = draw.choice([r for r in (12.0, 16.0, 20.0, 24.0, 25.0, 32.0, 48.0, 50.0, 100.0) if r >= least])
    clips = Clips(rate, strays=draw.choice((0, 0, 5, 40, 200)))
    clips.begin = float(edges.starts[skip]) + draw.uniform(-0.4, 0.9) * edges.period if skip else 0.0
    shown = [f"A{n}" for n in range(16)] + [f"D{n}" for n in range(8)]
    shown += {
        "z80": ["MREQ", "RD", "WR", "IORQ", "M1", "RFSH", "CLK"],
        "6502": ["PHI2", "RW", "SYNC"],
        "6800": ["PHI2", "RW", "VMA"],
    }[layout.cpu]
    if layout.cpu == "z80" and draw.random() < 0.3:
        shown.remove("RFSH")
    if layout.clip_selects:
        shown += [row.select for row in layout.card.rows if row.select]
    if layout.clip_enable and layout.card.driver and draw.random() < 0.7:
        shown.append("CARD")
    style = draw.choice(("plain", "slash", "lower_n"))
    low = {"MREQ", "RD", "WR", "IORQ", "M1", "RFSH"}
    for name in shown:
        if style == "slash" and name in low:
            clips.names[name] = f"/{name}"
        elif style == "lower_n":
            clips.names[name] = name.lower() + ("_n" if name in low else "")
    if draw.random() < 0.25:
        hide_high(draw, layout, log, clips)
    if draw.random() < 0.15:
        at = draw.uniform(0.2, 0.8) * edges.end
        clips.gap = (at, at + draw.uniform(2, 60) * edges.period)
    return edges, clips, shown


def hide_high(draw: Random, layout: Layout, log: Log, clips: Clips) -> None:
    """Leave up to three high address lines without a clip, if no traffic then looks like another region's."""
    if not layout.rom_in_file or layout.hidden or layout.card.twice:
        return
    where = layout.card.where
    for count in range(draw.randint(1, 3), 0, -1):
        mask = 0xFFFF >> count
        seen: dict[int, int] = {}
        if all(seen.setdefault(a & mask, where[a]) == where[a] for a in set(log.address)):
            spans = [{(r.start + n) & mask for n in range(0, r.size, 64)} for r in layout.card.rows]
            if sum(len(s) for s in spans) == len(set().union(*spans)):
                clips.hidden |= {f"A{15 - n}" for n in range(count)}
                return


def gap_of(edges: Edges, clips: Clips) -> tuple[int, int] | None:
    """Give the accesses that missing samples touch."""
    if clips.gap is None:
        return None
    begin, end = clips.gap
    hit = [i for i, t in enumerate(edges.starts.tolist()) if begin - 8 * edges.period <= t <= end + edges.period]
    return (hit[0], hit[-1]) if hit else None


def books_with_gap(layout: Layout, log: Log, skip: int, gap: tuple[int, int] | None) -> Ledger:
    """Keep the books; after missing samples nothing is known of RAM until it is written again."""
    card = layout.card
    card.faults = []
    card.start()
    whole = truth.keep_books(card, log, skip, layout.rom_in_file, layout.hidden)
    if gap is None:
        return whole
    after = truth.keep_books(card, log, gap[1] + 1, layout.rom_in_file, layout.hidden)
    expected = whole.expected[: gap[0]] + [-1] * (gap[1] + 1 - gap[0]) + after.expected[gap[1] + 1 :]
    wrong = [i for i in whole.mismatch if i < gap[0]] + [i for i in after.mismatch if i > gap[1]]
    return Ledger(expected, wrong)


def named(card: Card, fault: Fault) -> Json:
    """Write a fault as the contract names it."""
    component = fault.component
    if component is None and fault.scope == "board" and fault.lines:
        component = next((name for name, _, lines in card.buffers if fault.lines[0] in lines), None)
    region = card.rows[fault.region].name if fault.region > 0 else None
    return {
        "component": component, "fault": fault.kind, "scope": fault.scope, "region": region,
        "lanes": [f"D{n}" for n in range(8) if fault.mask >> n & 1], "address_lines": [f"A{n}" for n in fault.lines],
        "address": card.rows[fault.region].start + fault.cell if fault.cell >= 0 else None,
        "level": fault.level, "side": fault.side, "how": fault.how,
        "other": card.rows[fault.other].name if fault.other > 0 else None,
        "aggressor": card.rows[fault.region].start + fault.aggressor if fault.aggressor >= 0 else None,
    }  # fmt: skip


def faulty(draw: Random, layout: Layout, kind: str, limit: int, vital: bool = False) -> list[Fault]:
    """Draw what is wrong with the card: one thing, two, or three to nine; `vital`: where stack and variables lie."""
    only = 0 if not vital else 1 if layout.cpu == "6502" else len(layout.card.rows) - 1
    count = {"single": 1, "double": 2, "many": draw.randint(3, 9), "healthy": 0}[kind]
    found: list[Fault] = []
    spots: set[tuple[Any, ...]] = set()
    for _ in range(200):
        if len(found) == count:
            break
        fault = draw_fault(draw, layout.card, layout.windows, kind == "many" and draw.random() < 0.8, only)
        part = fault.component or (fault.scope, fault.region)
        if (part,) in spots or (kind == "many" and fault.scope not in ("chip", "cell") and ("wide",) in spots):
            continue
        spots.add((part,))
        if fault.scope not in ("chip", "cell"):
            spots.add(("wide",))
        found.append(intermittently(draw, fault, limit) if draw.random() < 0.4 else fault)
    return found


def enough(kind: str, layout: Layout, log: Log, books: Ledger, faults: list[Fault], least: int) -> bool:
    """Say whether the faults show: one in so many reads, of two both, of many three at the least."""
    if len(books.mismatch) < least:
        return False
    if len(faults) == 1:
        return True
    seen = 0
    for n in range(len(faults)):
        mended = truth.play(layout.card, faults[:n] + faults[n + 1 :], log)
        seen += len(truth.shows(log, books, mended)) >= 4
    layout.card.faults = faults
    return seen >= (2 if kind == "double" else 3)


def make(kind: str, seed: int) -> Case:
    """Make a case of one of the kinds healthy, single, double, many."""
    draw = Random(f"{kind}/{seed}")
    quiet = kind == "single" and draw.random() < 0.05  # a fault that may not show
    for _ in range(60):
        layout = draw_layout(draw)
        limit = draw.choice((18000, 30000, 45000))
        skip = draw.choice((0, 0, draw.randrange(200, 4000)))
        faults = faulty(draw, layout, kind, limit + skip, seed >= 5000)
        layout.card.faults = faults
        log = run(layout, limit + skip)
        edges, clips, shown = setting(draw, layout, log, skip)
        books = books_with_gap(layout, log, skip, gap_of(edges, clips))
        if not faults or quiet or enough(kind, layout, log, books, faults, draw.choice((1, 4, 10))):
            break
    case = Case(layout, log, books, clips, edges, shown, {}, faults, skip)
    case.facts = {"kind": kind, "seed": seed, **fault_facts(case)}
    return case


def fault_facts(case: Case) -> Json:
    """Say what is wrong and what else would read alike."""
    card, faults, log, books = case.layout.card, case.faults, case.log, case.books
    listed = []
    for number, fault in enumerate(faults):
        mended = truth.play(card, faults[:number] + faults[number + 1 :], log, case.quirk)
        hit = truth.shows(log, books, mended)
        entry = named(card, fault)
        entry["shows"] = len(hit)
        entry["manifest"] = bool(hit)
        entry["first"] = hit[:3]
        others = truth.alternatives(card, faults, number, log, books, hit) if hit else []
        entry["distinguishable"] = [named(card, f) for f in others]
        listed.append(entry)
    card.faults = faults
    return {
        "faults": listed,
        "compared": books.compared,
        "mismatch_total": len(books.mismatch),
        "expected_exit": [1] if books.mismatch else [0],
    }


def write(case: Case, folder: Path) -> None:
    """Write a case to its folder: capture, board file, ROM image, truth, and the accesses as they were."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "board.toml").write_text(board_text(case.layout))
    (folder / "rom.bin").write_bytes(
        bytes.fromhex(case.layout.edits["image"]) if "image" in case.layout.edits else case.layout.card.rows[0].image
    )
    draw = Random(case.facts["seed"])
    result = record(case.edges, case.clips, draw, case.shown)
    write_vcd(folder / "capture.vcd", result, case.clips, case.edges.end)
    facts = {
        "cpu": case.layout.cpu, "rate_mhz": case.clips.rate, "skip": case.skip, "strays": case.clips.strays,
        "gap_ns": case.clips.gap, "hidden": sorted(case.clips.hidden), "clipped": case.shown, **case.facts,
    }  # fmt: skip
    (folder / "truth.json").write_text(json.dumps(facts, indent=1))
    log, starts = case.log, case.edges.starts
    with (folder / "accesses.csv").open("w") as out:
        out.write("access,time_us,kind,address,data,expected\n")
        for i in range(case.skip, len(log.kind)):
            want = case.books.expected[i]
            out.write(
                f"{i},{(starts[i] - case.clips.begin) / 1000:.3f},{log.kind[i]},{log.address[i]:04X},{log.data[i]:02X},"
                f"{'' if want < 0 else f'{want:02X}'}{' !' if 0 <= want != log.data[i] else ''}\n"
            )
