"""Timing as measured, against the edges in the files of independently written CPU cores.

The event files hold every edge as it happened, so every set-up, hold and width can be taken from them by a plain
reading of the text, which this test does a second time and in another way: it walks the changes one by one.
"""

from __future__ import annotations

import lzma
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.pipeline import Request, run_timing
from tests.shared_captures import each_shared

DATA = Path(__file__).parent / "data"
CUTS = [(DATA / "carillon_events_cut.vcd.xz", "6502"), (DATA / "signal_lamp_events_cut.vcd.xz", "z80")]
WHOLE = [
    pytest.param(c and c.path, c and c.folder.name.split("-")[0], id=param.id, marks=param.marks)
    for param in each_shared(lambda c: "events" in c.file)
    for c in param.values
]
FILES = [*(pytest.param(*one, id=one[0].stem) for one in CUTS), *WHOLE]


def changes(path: Path) -> list[tuple[float, str, str]]:
    """(ns, signal, new value) in the order of the file; what comes and goes within one time stamp is no change."""
    names: dict[str, str] = {}
    found: list[tuple[float, str, str]] = []
    now, levels, fresh = 0.0, {}, {}
    with lzma.open(path, "rt") as text:
        lines = [*text, "#0"]
    for line in lines:
        words = line.split()
        if words[:1] == ["$var"]:
            names[words[3]] = words[4]
        elif line[0] == "#":
            found += [(now, name, value) for name, value in fresh.items() if levels.get(name) != value]
            levels |= fresh
            now, fresh = int(line[1:]) / 1000, {}
        elif len(words) == 2 and line[0] == "b":
            fresh[names[words[1]]] = words[0][1:]
        elif line[0] in "01" and line[1:].strip() in names:
            fresh[names[line[1:].strip()]] = line[0]
    return found


class Edges:
    """Walks a file and collects the intervals that data sheets name, ns."""

    def __init__(self, strobes: dict[str, tuple[str, str]], clock: str) -> None:
        # strobe name → (signal, its active level)
        self.strobes, self.clock = strobes, clock
        self.values: dict[str, list[float]] = defaultdict(list)
        self.level: dict[str, str] = {}
        self.last: dict[str, float] = {}
        self.began: dict[str, float] = {}
        self.waiting: list[tuple[str, float]] = []
        self.ended = -1.0

    def feed(self, now: float, signal: str, value: str) -> None:
        if signal == "data":
            for what, since in self.waiting:
                self.values[what].append(now - since)
            self.waiting = []
        for name, (line, active) in self.strobes.items():
            if line != signal or self.level.get(signal) in (None, value):
                continue
            if value == active:
                self.began[name] = now
            elif name in self.began:
                self._strobe(name, now, self._writes(name))
        if signal == "addr" and self.clock in self.last:
            # The last change of an address before its strobe is the one that counts: keep overwriting.
            self.delay = now - self.last[self.clock]
        self.level[signal] = value
        self.last[signal] = now

    def _writes(self, name: str) -> bool:
        return name == "WR" or (name == "PHI2" and self.level["rw"] == "0")

    def _strobe(self, name: str, now: float, writes: bool) -> None:
        width = now - self.began[name]
        self.values[f"width {name}"].append(width)
        data, address = self.last.get("data", -1.0), self.last.get("addr", -1.0)
        if self.ended >= 0:
            if not writes and data > self.ended:
                self.values["data-setup"].append(now - data)
            if not writes and self.ended < address < data:
                self.values["access"].append(data - address)
            if writes and data > self.ended:
                self.values["write-data-setup"].append(self.began[name] - data)
                self.values["write-data-delay"].append(data - self.began[name])
            if address > self.ended:
                self.values["address-delay"].append(self.delay)
        self.waiting = [("write-data-hold" if writes else "data-hold", now)]
        self.ended = now


def read_again(path: Path, profile: str) -> dict[str, list[float]]:
    if profile == "6502":
        edges = Edges({"PHI2": ("phi2", "1")}, "phi2")
    else:
        edges = Edges({"RD": ("rd_n", "0"), "WR": ("wr_n", "0")}, "clk")
    for now, signal, value in changes(path):
        edges.feed(now, signal, value)
    return edges.values


LIMITS = {
    "6502": {
        "PWHPHI2": "width PHI2",
        "TADS": "address-delay",
        "TACC": "access",
        "TDSU": "data-setup",
        "THR": "data-hold",
        "TMDS": "write-data-delay",
        "THW": "write-data-hold",
    },
    "z80": {
        "tD(AD)": "address-delay",
        "tS(D)": "data-setup",
        "tH": "data-hold",
        "tdcm": "write-data-setup",
        "tw(WRL)": "width WR",
        "tw(RDL)": "width RD",
    },
}


@pytest.mark.parametrize(("path", "profile"), FILES)
def test_measured_is_what_the_edges_say(path: Path, profile: str) -> None:
    wanted = read_again(path, profile)
    measured = {limit.name: limit for limit in run_timing(Request(path, profile=profile)).limits}
    for symbol, what in LIMITS[profile].items():
        mine, theirs = np.array(wanted[what]), measured[symbol]
        # The first and the last cycle may lack an edge on one side.
        assert abs(theirs.count - len(mine)) <= 3, symbol
        assert len(mine) > 20, symbol
        assert theirs.min_ns == pytest.approx(mine.min(), abs=1), symbol
        assert theirs.max_ns == pytest.approx(mine.max(), abs=1), symbol
        assert theirs.median_ns == pytest.approx(np.median(mine), abs=1), symbol
        assert theirs.p01_ns == pytest.approx(np.quantile(mine, 0.01, method="inverted_cdf"), abs=1), symbol
        assert theirs.p99_ns == pytest.approx(np.quantile(mine, 0.99, method="inverted_cdf"), abs=1), symbol


@pytest.mark.parametrize(("path", "profile"), [pytest.param(*one, id=one[1]) for one in CUTS])
def test_clock_period_is_the_cores(path: Path, profile: str) -> None:
    """The cores were run at 1 MHz and 2.5 MHz: 1000 ns and 400 ns, exactly the slowest grades' shortest cycles."""
    result = run_timing(Request(path, profile=profile))
    cycle = next(limit for limit in result.limits if limit.name in ("TCYC", "tc"))
    assert cycle.min_ns == cycle.max_ns == {"6502": 1000, "z80": 400}[profile]
    assert cycle.violated == 0
    assert result.grade == {"6502": "1 MHz", "z80": "Z80"}[profile]


@pytest.mark.parametrize(
    ("profile", "cycle_ns", "grade"),
    [
        ("6809", 1000, "6809 1 MHz"),
        ("6809", 978, "6809 1 MHz"),  # 1.0227 MHz: 14.318 MHz over 14, on 1 MHz parts
        ("6809", 500, "68B09 2 MHz"),
        ("6809", 450, "68B09 2 MHz"),  # faster than any: the nearest that the machine can have
        ("6802", 667, "68A02 1.5 MHz"),
        ("6502", 978, "1 MHz"),
    ],
)
def test_the_grade_is_one_that_a_machine_of_this_clock_can_have(
    tmp_path: Path, profile: str, cycle_ns: int, grade: str
) -> None:
    """Cycle times of the grades: MC6809, MC6802 and MCS6500 data sheets (1000, 667 and 500 ns)."""
    clock = "PHI2" if profile == "6502" else "E"
    lines = [f"$timescale 1 ns $end $var wire 1 c {clock} $end $var wire 1 w RW $end $var wire 1 v VMA $end",
             "$var wire 16 a A [15:0] $end $var wire 8 d D [7:0] $end $enddefinitions $end", "#0 1w 1v"]  # fmt: skip
    for n in range(300):
        now = n * cycle_ns
        lines += [f"#{now} 0c", f"#{now + 40} b{n % 61:b} a", f"#{now + cycle_ns // 2} 1c"]
        lines += [f"#{now + cycle_ns - 110} b{n % 37:b} d"]
    path = tmp_path / "clock.vcd"
    path.write_text("\n".join([*lines, f"#{300 * cycle_ns} 0c", ""]))
    result = run_timing(Request(path, profile=profile))
    assert result.grade == grade
    cycle = next(limit for limit in result.limits if limit.name.lower() == "tcyc")
    assert bool(cycle.violated) == (cycle_ns == 450)
