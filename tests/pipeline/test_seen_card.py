"""What a recording shows of a card: regions, kinds, a mirror, and the channels that select.

Source of the truth: the card that this file itself draws, a 6502 whose RAM also answers 4 KB higher.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from busledger.decoder.errors import CaptureError
from busledger.decoder.pipeline import Request, SeenCard, seen_card

NAMES = ["PHI2", "R/W", "/RAM CARD", "ROMSEL", "noise"]


def record(path: Path, accesses: list[tuple[bool, int, int]]) -> SeenCard:
    """(write, address, data) a microsecond; /RAM CARD low and ROMSEL high in accesses of 0200-03FF and F000-FFFF."""
    lines = ["$timescale 1 ns $end", *(f"$var wire 1 {chr(40 + k)} {name} $end" for k, name in enumerate(NAMES))]
    lines = [line.replace("/RAM CARD", "/RAMCARD") for line in lines]
    lines += ["$var wire 16 a A [15:0] $end", "$var wire 8 d D [7:0] $end", "$enddefinitions $end"]
    dice = random.Random(3)
    for n, (write, address, data) in enumerate(accesses):
        start = 1000 * n
        lines += [f"#{start} 0(", f"#{start + 100} {int(not write)}) b{address:b} a {dice.randrange(2)},"]
        lines += [f"#{start + 130} {int(not 0x200 <= address <= 0x3FF)}* {int(address >= 0xF000)}+"]
        lines += [f"#{start + 500} 1(", f"#{start + 700} b{data:b} d"]
    path.write_text("\n".join([*lines, f"#{1000 * len(accesses)} 0(", f"#{1000 * len(accesses) + 50}", ""]))
    return seen_card(Request(path, profile="6502"))


def test_regions_kinds_mirrors_and_selects(tmp_path: Path) -> None:
    dice = random.Random(5)
    cells = {address: dice.randrange(256) for address in range(0x200, 0x400)}
    work = [(True, address, data) for address, data in cells.items()]
    work += [(False, address, data) for address, data in cells.items()]
    work += [(True, 0x1000 + address, data) for address, data in cells.items()]
    work += [(False, 0x1000 + address, data) for address, data in cells.items()]
    work += [(False, 0xF000 + n, n * 7 & 0xFF) for n in range(0, 0x1000, 8)]
    card = record(tmp_path / "run.vcd", work)
    assert [(r.name, r.start, r.end, r.kind, r.mirror_of) for r in card.regions] == [
        ("bank0", 0x200, 0x3FF, "ram", None),
        ("bank1", 0x1200, 0x13FF, "ram", "bank0"),
        ("rom0", 0xF000, 0xFFFF, "rom", None),
    ]
    selects = [(card.signals[r.select].name, r.select_level) if r.select is not None else None for r in card.regions]
    assert selects == [("/RAMCARD", 0), None, ("ROMSEL", 1)]
    assert card.loose == ()


def test_a_few_cells_elsewhere_are_told_and_make_no_region(tmp_path: Path) -> None:
    work = [(True, 0x200 + n, n) for n in range(64)] + [(False, 0x200 + n, n) for n in range(64)]
    work += [(False, 0xD000, 0x55), (True, 0xD001, 0xAA)] * 3
    card = record(tmp_path / "run.vcd", work)
    assert [(r.start, r.end) for r in card.regions] == [(0x200, 0x23F)]
    assert card.loose == (("memory", 0xD000), ("memory", 0xD001))


def test_a_recording_without_memory_says_so(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no memory is seen"):
        record(tmp_path / "run.vcd", [(False, 0x200, 1)] * 40)
