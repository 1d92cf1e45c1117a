"""Pins and windows that a plan names, against figures typed from the sources named beside them."""

from __future__ import annotations

from pathlib import Path

import pytest

from busledger.decoder.bus import load_profile
from busledger.decoder.planning.clips import cautions_of, clip_points
from busledger.decoder.planning.sampling import sampling_needs
from busledger.decoder.planning.sight import Bench
from tests.planning.boards import DRAM_CARD, LOOM, board

# (line, designator, part, pin): pin-outs as the makers' data sheets print them, all from memory:
# National 74LS138 (TL/F/6391): A 1, B 2, C 3, Y7 7, Y0 15, Y1 14. Intel 2114: CS 8, WE 10, I/O1-I/O4 14-11.
LOOM_PINS = [
    ("CS0", "U9", "74LS138", 15),
    ("CS1", "U9", "74LS138", 14),
    ("A2", "U9", "74LS138", 1),
    ("A3", "U9", "74LS138", 2),
    ("A4", "U9", "74LS138", 3),
    ("CS0", "U1", "2114", 8),
    ("D0", "U1", "2114", 14),
    ("D3", "U1", "2114", 11),
    ("D4", "U2", "2114", 14),
    ("A0", "U1", "2114", 5),
]


@pytest.mark.parametrize(("line", "designator", "part", "pin"), LOOM_PINS)
def test_where_to_clip(tmp_path: Path, line: str, designator: str, part: str, pin: int) -> None:
    bench = Bench.of(board(tmp_path, LOOM), load_profile("6502"))
    found = {(p.designator, p.part): p for p in clip_points(bench, line)}
    assert found[designator, part].pin == pin
    assert found[designator, part].sure == (line[0] == "C" or designator == "U9")


def test_a_supply_beside_the_pin_is_told(tmp_path: Path) -> None:
    """74LS138: VCC is pin 16, beside Y0 on pin 15; 2114: ground is pin 9, beside CS on pin 8."""
    bench = Bench.of(board(tmp_path, LOOM), load_profile("6502"))
    beware = {(p.designator, p.pin): p.beware for p in clip_points(bench, "CS0")}
    assert beware["U9", 15] == "pin 16 beside it is +5 V"
    assert beware["U1", 8] == "pin 9 beside it is ground"


def test_rails_that_kill_a_probe_are_named(tmp_path: Path) -> None:
    """4116 (Mostek MK4116 data sheet, from memory): VBB -5 V on pin 1, VDD +12 V on pin 8; data out on pin 14."""
    card = board(tmp_path, DRAM_CARD)
    told = " ".join(cautions_of(card))
    assert "Pin 1 of each 4116" in told
    assert "-5 V" in told
    assert "Pin 8 of each 4116" in told
    assert "+12 V" in told
    points = clip_points(Bench.of(card, load_profile("z80")), "D3")
    assert [(p.designator, p.pin, p.sure) for p in points] == [("U4", 14, True)]


def test_direction_pin_of_a_transceiver(tmp_path: Path) -> None:
    """74LS245: DIR is pin 1 (Motorola SN54/74LS245, from memory)."""
    bench = Bench.of(board(tmp_path, DRAM_CARD), load_profile("z80"))
    assert [(p.designator, p.pin, p.sure) for p in clip_points(bench, "DIR")] == [("U20", 1, True)]


# Narrowest window in ns by grade, from the sheets: MCS6500 data sheet, May 1976: read data set-up 100 ns (50 ns for
# the A suffix) and hold 10 ns. Motorola MC6800 data sheet: tDSR 100 (60, 40) ns, hold 10 ns. Zilog Z80 CPU
# specification, March 1978: data set-up 50 ns (Z80A 35 ns) before the clock edge that ends RD, hold 0. All from memory.
WINDOWS = [
    ("6502", "1 MHz", 110.0),
    ("6502", "2 MHz", 60.0),
    ("6800", "6800 1 MHz", 110.0),
    ("6800", "68B00 2 MHz", 50.0),
    ("z80", "Z80", 50.0),
    ("z80", "Z80A", 35.0),
]


@pytest.mark.parametrize(("bus", "grade", "window_ns"), WINDOWS)
def test_the_narrowest_window_sets_the_rate(bus: str, grade: str, window_ns: float) -> None:
    """Four samples in it are comfortable (common practice)."""
    need = next(n for n in sampling_needs(load_profile(bus), 24e6) if n.grade == grade)
    assert need.window_ns == window_ns
    assert need.comfortable_hz == pytest.approx(4 / (window_ns * 1e-9))
    assert need.least_hz == pytest.approx(1 / (window_ns * 1e-9))
    assert need.samples_in_window == pytest.approx(24e6 * window_ns * 1e-9)


def test_the_verdict_changes_at_the_two_rates() -> None:
    profile = load_profile("6502")
    verdicts = [sampling_needs(profile, rate)[0].verdict for rate in (9.0e6, 9.2e6, 36.3e6, 36.4e6)]
    assert verdicts == ["too slow", "tight", "tight", "comfortable"]
