"""One case: a card, a program, faults, a capture, a board file and the expected answer, all from one seed."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.outside.third import waves, waves_68008, waves_clocked, waves_strobed
from tests.outside.third.accesses import Accesses
from tests.outside.third.capture import Analyser, write_vcd
from tests.outside.third.card import Card, board_toml, draw_card, draw_clips
from tests.outside.third.faults import Fault, draw_faults
from tests.outside.third.machine import Seen, play
from tests.outside.third.odd import CIRCUMSTANCES, SHOWING, Spoil, draw_odd, draw_spoil
from tests.outside.third.programs import run_program
from tests.outside.third.truth import Expected, described_parts, expect

BUSES = ("6502", "z80", "6809", "8085", "8080", "6800", "68008")
CLOCKED = ("6502", "6809", "6800")
CONTROLS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "6502": (("PHI2", "RW"), ("SYNC",)),
    "6809": (("E", "RW"), ("Q",)),
    "z80": (("MREQ", "RD", "WR"), ("M1", "IORQ", "RFSH", "CLK")),
    "8085": (("ALE", "RD", "WR"), ("IOM", "S0", "S1")),
    "8080": (("SYNC", "DBIN", "WR"), ()),
    "6800": (("PHI2", "RW", "VMA"), ()),
    "68008": (("DS", "RW"), ("AS", "DTACK")),
}
LOW = {"AS", "DS", "DTACK", "MREQ", "RD", "WR", "M1", "IORQ", "RFSH", "CARD"}


BUILDERS = {
    "6502": waves.mos6502, "6809": waves_clocked.mc6809, "z80": waves_strobed.z80, "8085": waves_strobed.i8085,
    "8080": waves_strobed.i8080, "6800": waves_clocked.mc6800, "68008": waves_68008.mc68008,
}  # fmt: skip


#: a plain clock period and access time of each bus, ns
LATENCY = {
    "6502": (1000.0, 350.0), "6809": (1000.0, 350.0), "z80": (400.0, 300.0), "8085": (320.0, 300.0),
    "8080": (500.0, 300.0), "6800": (1000.0, 350.0), "68008": (125.0, 200.0),
}  # fmt: skip


@dataclass
class Case:
    """All that is known of one case; ``folder`` holds capture.vcd, board.toml, monitor.bin and truth.json."""

    folder: Path
    kind: str
    card: Card
    acc: Accesses
    rom: dict[int, int]
    faults: list[Fault]
    seen: Seen
    expected: list[Expected]
    notes: dict[str, Any] = field(default_factory=dict)


def _period(rng: np.random.Generator, bus: str) -> tuple[float, float]:
    """Clock period and the memory's access time, ns."""
    if bus == "z80":
        period = float(rng.choice([500.0, 400.0, 400.0, 250.0]))
        return period, float(rng.uniform(150, 1.5 * period - 150) if period > 300 else rng.uniform(90, 160))
    if bus == "8085":
        return float(rng.choice([320.0, 325.5, 400.0])), float(rng.uniform(200, 420))
    if bus == "68008":
        return 125.0, float(rng.uniform(120, 270))
    if bus == "8080":
        return 500.0, float(rng.uniform(200, 400))
    period = float(rng.choice([1000.0, 1000.0, 977.7, 1023.0, 500.0]))
    return period, float(rng.uniform(250, 420) if period > 900 else rng.uniform(120, 200))


def run_until_lost(
    card: Card, acc: Accesses, rom: dict[int, int], faults: list[Fault], period: float
) -> tuple[Accesses, Seen]:
    """The run, ended where a pointer or a return address came back wrong: from there on the machine would run wild."""
    seen = play(card, acc, rom, faults, period)
    for _ in range(6):
        lost = np.nonzero(acc.steers & (seen.wrong != 0))[0]
        if not len(lost):
            break
        acc = acc.cut(0, int(lost[0]) + 1)
        seen = play(card, acc, rom, faults, period)
    return acc, seen


def _drawn(rng: np.random.Generator, bus: str, kind: str, index: int, folder: Path) -> Case | None:
    """A card, its program and what is wrong with it; None if nothing of it shows."""
    card = draw_card(rng, bus)
    draw_clips(rng, card, *CONTROLS[bus])
    length = 500 if rng.random() < 0.07 else int(10 ** rng.uniform(np.log10(1500), np.log10(60000)))
    if kind == "many":  # as long as somebody who means to find them all would record
        length = max(length, 8000)
    style = str(rng.choice(["tests", "tests", "tests", "one", "work", "mixed", "mixed"]))
    acc, rom = run_program(card, rng, length, style)
    period, access = _period(rng, bus)
    count = {"healthy": 0, "single": 1, "double": 2, "many": int(rng.integers(3, 13))}.get(kind, 0)
    faults = draw_faults(rng, card, count)
    if kind == "unusual":
        card.odd = draw_odd(rng, card, CIRCUMSTANCES[index % len(CIRCUMSTANCES)])
        if not card.odd:
            return None
    acc, seen = run_until_lost(card, acc, rom, faults, period)
    if len(acc) < 500:
        return None
    if card.odd.get("kind") in SHOWING and (seen.wrong != 0).sum() < 4:
        return None
    expected = expect(card, acc, rom, faults, seen, period)
    showing = sum(e.shown >= 4 for e in expected)
    if showing < {"single": 1, "double": 2, "many": 2}.get(kind, 0):
        return None
    case = Case(folder, kind, card, acc, rom, faults, seen, expected)
    case.notes = {"bus": bus, "cycles": len(acc), "style": style, "period_ns": period, "access_ns": access}
    return case


def make(
    seed: int, index: int, kind: str, out: Path, bus: str | None = None, site: str | None = None
) -> Case:
    """Draws case ``index`` of ``seed`` and writes its files under ``out``; ``site``: only with a fault of that site."""
    rng = np.random.default_rng([seed, index, sum(kind.encode())])
    chosen = bus or str(rng.choice(BUSES))
    folder = out / f"{kind}_{seed}_{index}"
    case = None
    while case is None:
        case = _drawn(rng, chosen, kind, index, folder)
        if case and site and not any(e.fault.site == site and e.shown >= 4 for e in case.expected):
            case = None
    period = case.notes["period_ns"]
    rate = float(rng.choice([0, 12e6, 24e6, 24e6, 25e6, 50e6, 100e6]))
    if (chosen not in CLOCKED or period < 900) and rate == 12e6:
        rate = 24e6
    if case.card.odd.get("kind") == "too-slow":
        rate = float(rng.choice([2e6, 3e6, 4e6])) * (1000.0 / period if chosen in CLOCKED else 1)
    write(case, rng, Analyser(rate))
    return case


def other_version(rng: np.random.Generator, image: bytes) -> bytes:
    """The image of a later version: a few patches, or a byte more somewhere and all behind it moved."""
    out = bytearray(image)
    for _ in range(int(rng.integers(2, 6))):
        at = int(rng.integers(0, 0x500))
        out[at : at + 6] = bytes(int(b) for b in rng.integers(0, 256, 6))
    if rng.random() < 0.4:
        at = int(rng.integers(0x100, 0x300))
        out = out[:at] + bytes([0xEA]) + out[at:-1]
    return bytes(out)


def write(case: Case, rng: np.random.Generator, analyser: Analyser) -> None:
    """Draws the waves, samples them, writes capture, board file, ROM image and truth to the case's folder."""
    card, acc, seen, folder = case.card, case.acc, case.seen, case.folder
    folder.mkdir(parents=True, exist_ok=True)
    period = case.notes["period_ns"]
    board = BUILDERS[card.bus](card, acc, seen, rng, period, case.notes["access_ns"])
    low = LOW | {str(r.select) for r in card.banks}
    span = float(acc.states.sum() if card.bus not in CLOCKED else len(acc)) * period
    spoil = draw_spoil(rng, card, card.odd, span) if card.odd else Spoil()
    wiring = write_vcd(folder / "capture.vcd", card, board, low, rng, analyser, spoil)
    monitor = card.region("monitor")
    image = bytes(case.rom.get(a, 0xFF) for a in range(monitor.start, monitor.end + 1))
    if card.odd.get("kind") == "other-rom":
        image = other_version(rng, image)
    (folder / "monitor.bin").write_bytes(image)
    (folder / "board.toml").write_text(board_toml(card, wiring, "monitor.bin"))
    case.notes |= {
        "rate_hz": analyser.rate_hz, "clipped": card.clipped, "floating": card.floating,
        "wrong_reads": int((seen.wrong != 0).sum()), "compared": int(seen.known.sum()), "shares": {
            r.name: int((seen.known & (acc.address >= r.start) & (acc.address <= r.end)).sum()) for r in card.banks
        },
        "odd": card.odd, "spoil": [str(o) for o in spoil.off[:3]] + [str(spoil.exchanged)],
    }  # fmt: skip
    plain = [e.plain() for e in case.expected]
    truth = {"kind": case.kind, **case.notes, "expected": plain, "parts": described_parts(card)}
    (folder / "truth.json").write_text(json.dumps(truth, indent=1))
