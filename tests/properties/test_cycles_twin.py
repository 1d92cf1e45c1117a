"""The compiled cycle kernels against their plain twin, and against themselves in other blocks."""

from __future__ import annotations

import random
from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus import CycleExtractor, Cycles, Layout, line_needs, load_profile, profile_from_text
from busledger.decoder.capture import Capture, Gap, Signal
from busledger.decoder.errors import CaptureError
from busledger.decoder.wiring import bind
from tests.reference.cycles_plain import PlainDecoder

# A bus that uses every part of the schema: latches, both sampling edges, lanes, inversion, fallback, defaults,
# conditions at every point, address matches, stretched and rejected spans, unwired lines.
EVERYTHING = """
name = "everything"
title = "a bus made for tests"
family = "strobed"
source = "made up"
address_bits = 8
data_bits = 16
[clock]
line = "CK"
silent_periods = 8
stretch_max_ns = 1
silent_min_ns = 60
silent_cycles = 6
[[line]]
name = "CK"
role = "clock"
[[line]]
name = "RD, WR"
need = "required"
active = "low"
[[line]]
name = "ALE, HI, LO"
default = "asserted"
[[line]]
name = "ST"
default = "not asserted"
role = "status"
[[line]]
name = "FX"
role = "status"
[[line]]
name = "AD0-AD7"
role = "address"
active = "low"
[[line]]
name = "D0-D15"
role = "data"
[[line]]
name = "Q0-Q7"
role = "data"
fallback = "D0-D7"
[[strobe]]
name = "rd"
when = "RD & !WR"
width_min = "t6"
begin = { setup = "t2", hold = "t3" }
end = { setup = "t7", hold = "t2" }
[[strobe]]
name = "wr"
when = "WR & (ALE | !RD)"
sample = "begin"
begin = { setup = "t3", hold = "t4" }
[[strobe]]
name = "both"
when = "RD & WR"
begin = { hold = "strobe" }
end = { setup = "t6", hold = 0, clear = 3 }
[[latch]]
name = "adr"
when = "ALE"
setup = "t4"
hold = 2
[[latch]]
name = "row"
when = "ALE & !RD"
edge = "begin"
hold = "t3"
[[address]]
name = "mixed"
pieces = [{ bits = "0-3", lines = "AD0-AD3", latch = "adr" }, { bits = "7-4", lines = "AD4-AD7", at = "begin" }]
[[address]]
name = "row"
pieces = [
  { bits = "0-5", lines = "AD5-AD0", latch = "row" },
  { bits = "6", lines = "HI", at = "middle", invert = true },
]
[[data]]
name = "wide"
pieces = [{ bits = "0-15", lines = "D0-D15", at = "end" }]
[[data]]
name = "q"
pieces = [
  { bits = "0-7", lines = "Q0-Q7", at = "begin", steady = true },
  { bits = "8-15", lines = "D15-D8", latch = "adr" },
]
[[rule]]
kind = "stretch"
strobe = "rd"
when = "ST & any.HI & !any.LO"
[[rule]]
kind = "idle"
strobe = "rd"
address_is = 0x05
address_mask = 0x0F
[[rule]]
kind = "opcode-fetch"
strobe = "rd"
when = "prev.ST | adr.FX"
wait = "any.ST"
[[rule]]
kind = "read"
strobe = "rd"
when = "HI | begin.LO"
lanes = [{ lane = 0, when = "LO" }, { lane = 1, when = "adr.HI" }]
[[rule]]
kind = "write"
strobe = "wr"
when = "ST"
data = "q"
[[rule]]
kind = "io-write"
strobe = "wr"
address = "row"
data = "wide"
kept = "begin"
[[rule]]
kind = "refresh"
strobe = "both"
when = "!HI"
address = "row"
[[rule]]
kind = "reject"
strobe = "both"
when = "end.LO & row.AD0"
[[rule]]
kind = "halt"
strobe = "both"
address = "none"
[[rule]]
kind = "skip"
strobe = "both"
when = "LO"
[[grade]]
name = "made up"
source = "made up"
limits = [
  { symbol = "t2", min = 2 },
  { symbol = "t3", min = 3 },
  { symbol = "t4", min = 4 },
  { symbol = "t6", min = 6 },
  { symbol = "t7", min = 7 },
]
"""

# The same on more lines than a word has bits: the status lines come first and push the data into the second word.
WIDE = EVERYTHING.replace('name = "FX"\n', 'name = "FX, X0-X31"\n')


def _profile(name):
    made = {"everything": EVERYTHING, "wide": WIDE}
    return profile_from_text(made[name], f"{name}.toml") if name in made else load_profile(name)


@st.composite
def captures(draw):
    """(profile name, line names, times, rows of 1/0/None, grid, gap)."""
    name = draw(st.sampled_from(["everything", "everything", "wide", "z80", "6502", "6800"]))
    lines = list(_profile(name).lines)
    needed = {n.name for n in line_needs(_profile(name)) if n.required}
    wired = [n for n in lines if n in needed or draw(st.integers(0, 5)) or n in ("A0", "AD0", "D0")]
    n = draw(st.integers(0, 60))
    steps = draw(st.lists(st.integers(1, 12), min_size=n, max_size=n))
    if n > 30 and draw(st.booleans()):
        steps[draw(st.integers(20, n - 1))] = 2000
    rows, row = [], {w: draw(st.sampled_from([0, 1, 1, 0, None])) for w in wired}
    busy = [w for w in wired if w in ("RD", "WR", "PHI2", "ALE", "MREQ", "CK")]
    for _ in range(n):
        row = dict(row)
        for line in [draw(st.sampled_from(busy)), *draw(st.lists(st.sampled_from(wired), max_size=4))]:
            row[line] = draw(st.sampled_from([0, 1, 0, 1, 0, 1, 0, 1, None]))
        rows.append(row)
    times = np.cumsum(np.array(steps, np.int64)).tolist()
    grid = draw(st.sampled_from([None, None, 1.0, 2.5]))
    gap = draw(st.integers(1, n - 1)) if n > 5 and draw(st.integers(0, 3)) == 0 else None
    return name, wired, times, rows, grid, gap


def _capture(wired, times, rows, gap):
    words = (len(wired) + 63) // 64
    levels, unknown = np.zeros((len(times), words), np.uint64), np.zeros((len(times), words), np.uint64)
    for i, row in enumerate(rows):
        for k, line in enumerate(wired):
            bit = np.uint64(1 << (k % 64))
            if row[line] is None:
                unknown[i, k // 64] |= bit
            elif row[line]:
                levels[i, k // 64] |= bit
    gaps = () if gap is None else (Gap(times[gap - 1], times[gap], "dumped"),)
    return np.array(times, np.int64), levels, unknown, gaps


def _extract(case, cuts):
    name, wired, times, rows, grid, gap = case
    profile = _profile(name)
    wiring = bind([Signal(line) for line in wired], line_needs(profile))
    layout = Layout(profile, wiring)
    assert sorted(layout.names) == sorted(wired)
    time, levels, unknown, gaps = _capture(layout.names, times, rows, gap)
    extractor = CycleExtractor(profile, layout, 1_000_000, grid)
    parts, edges = [], [0, *sorted(cuts), len(time)]
    for start, stop in pairwise(edges):
        now = tuple(g for g in gaps if start <= gap < stop)
        parts.append(
            extractor.feed(Capture(time[start:stop], levels[start:stop], unknown[start:stop], 1_000_000, now, start))
        )
    try:
        parts.append(extractor.finish())
    except CaptureError:
        assert sum(len(p) for p in parts) == 0
    return extractor, Cycles.concat(parts)


@settings(max_examples=60, deadline=None)
@given(captures(), st.data())
def test_kernel_equals_its_plain_twin_in_any_blocks(case, data):
    cuts = data.draw(st.lists(st.integers(0, len(case[2])), max_size=4))
    _compare(case, cuts)


@pytest.mark.parametrize("grid", [None, 2.5])
def test_more_patterns_of_levels_than_the_kernels_remember(grid):
    rng = random.Random(256)
    lines = list(_profile("everything").lines)
    levels, times, rows = dict.fromkeys(lines, 0), [], []
    for _ in range(1200):
        levels = {**levels, **{line: rng.choice([0, 1, 0, 1, 0, 1, None]) for line in rng.sample(lines, 6)}}
        levels["ALE"], levels["RD"], levels["WR"] = (rng.getrandbits(1) for _ in range(3))
        times.append((times[-1] if times else 0) + rng.randrange(1, 12))
        rows.append(levels)
    assert _compare(("everything", lines, times, rows, grid, None), [300, 301, 900]) > 256


def _compare(case, cuts):
    """Cycles, rejected spans and drop-outs of both; returns how many cycles there were."""
    name, _, times, rows, grid, gap = case
    extractor, got = _extract(case, cuts)
    gap_ends = [] if gap is None else [times[gap]]
    plain = PlainDecoder(_profile(name), times, rows, 1_000_000, grid, gap_ends)
    wanted = plain.decode()
    for column in (f.name for f in fields(Cycles)):
        if column != "region":
            assert getattr(got, column).tolist() == [cycle[column] for cycle in wanted], column
    assert extractor.rejected == plain.rejected
    jumps = [g for g in extractor.gaps if gap is None or g != (times[gap - 1], times[gap])]
    assert jumps == [j for j in plain.jumps if gap is None or j != (times[gap - 1], times[gap])]
    return len(got)
