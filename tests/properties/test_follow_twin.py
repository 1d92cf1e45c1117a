"""Following a bus that does not tell its fetches: compiled and plain agree on programs, on spoiled ones, on noise."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busledger.decoder.bus.columns import Cycles, Kind
from busledger.decoder.program.following import load_set
from busledger.decoder.program.following.inference import Inference
from tests.reference.follow_twin import follow_plain

NAMES = ("6502", "6800", "6801", "6809")
BYTES = {
    "6502": [0xEA, 0xA9, 0xA5, 0xD0, 0x20, 0x60, 0x4C, 0x9D, 0xB1, 0x48, 0x68, 0xE8, 0x00, 0x6C],
    "6800": [0x01, 0x86, 0x96, 0xB7, 0x26, 0x8D, 0x39, 0x7E, 0x08, 0x36, 0x3F, 0xA6, 0x6E],
    "6801": [0x01, 0x86, 0x9D, 0xDC, 0x26, 0x8D, 0x39, 0x7E, 0x3D, 0x3C, 0xEC],
    "6809": [0x12, 0x86, 0xA6, 0x84, 0x9F, 0x10, 0x26, 0x8E, 0x34, 0x35, 0x39, 0x3B, 0x6E, 0x7E, 0x30, 0x1F],
}


@st.composite
def traffic(draw):
    """Rows as a processor might leave them: runs of rising addresses, repeats, reads elsewhere, vectors, writes."""
    name = draw(st.sampled_from(NAMES))
    vectors = sorted(load_set(name).file.vectors.values())
    address, rows = draw(st.integers(0, 0xFFFF)), []
    program: dict[int, int] = {}
    for _ in range(draw(st.integers(0, 45))):
        move = draw(st.sampled_from(["on"] * 6 + ["again", "vector", "away", "back", "write", "idle"]))
        if move == "on":
            address = address + 1 & 0xFFFF
        elif move == "back":
            address = address - draw(st.integers(0, 8)) & 0xFFFF
        elif move == "vector":
            address = draw(st.sampled_from(vectors)) + draw(st.integers(0, 1))
        elif move == "away":
            address = draw(st.integers(0, 0xFFFF))
        data = program.setdefault(address, draw(st.sampled_from(BYTES[name]) | st.integers(0, 255)))
        kind = {"write": Kind.WRITE, "idle": Kind.IDLE}.get(move, Kind.READ)
        bad = draw(st.integers(0, 60))
        rows.append({"kind": kind, "address": -1 if bad == 1 else address, "data": -1 if bad == 2 else data})
    return name, rows


def kernel(name, rows, *, last=True):
    cycles = Cycles.empty(len(rows))
    for i, row in enumerate(rows):
        cycles.kind[i], cycles.address[i], cycles.data[i] = row["kind"], max(row["address"], 0), max(row["data"], 0)
        cycles.address_unknown[i], cycles.data_unknown[i] = int(row["address"] < 0), int(row["data"] < 0)
    inference = Inference(load_set(name))
    settled, fetch, taken, ended = inference.settle(cycles, last=last)
    marks = np.where(fetch, "fetch", np.where(taken, "interrupt", np.where(ended, "lost", "")))
    return marks.tolist(), settled


def plain(name, rows):
    own = [{"read": row["kind"] == Kind.READ, "address": row["address"], "data": row["data"]} for row in rows]
    return follow_plain(own, load_set(name), locked=False, last=True)


@settings(max_examples=40, deadline=None)
@given(traffic())
def test_compiled_and_plain_agree(drawn):
    name, rows = drawn
    marks, stop, _ = plain(name, rows)
    assert kernel(name, rows) == (marks, stop)


def loop(name, turns):
    """A loop by hand, cycle by cycle as the makers' tables have it: read a cell, store it, count, branch back."""
    if name == "6502":  # LDA 10, STA 11, INX, BNE: MCS6500 Hardware Manual, appendix A
        turn = [(0x200, 0xA5), (0x201, 0x10), (0x10, 7), (0x202, 0x85), (0x203, 0x11), (0x11, -7)]
        turn += [(0x204, 0xE8), (0x205, 0xD0), (0x205, 0xD0), (0x206, 0xF9), (0x207, 0)]
        return [(a, d) for _ in range(turns) for a, d in turn]
    # LDAA 10, STAA 11, DECB, BNE: M6800 data sheet, table of cycle by cycle operation
    turn = [(0x200, 0x96), (0x201, 0x10), (0x10, 7), (0x202, 0x97), (0x203, 0x11), (0x11, None), (0x11, -7)]
    turn += [(0x204, 0x5A), (0x205, 0x26), (0x205, 0x26), (0x206, 0xF9), (0x207, None), (0x200, None)]
    return [(a, d) for _ in range(turns) for a, d in turn]


@pytest.mark.parametrize("name", ["6502", "6800"])
def test_a_loop_by_hand(name):
    rows = [
        {"kind": Kind.IDLE if d is None else Kind.WRITE if d < 0 else Kind.READ, "address": a, "data": abs(d or 0)}
        for a, d in loop(name, 12)
    ]
    begins = [n for n, row in enumerate(rows) if row["address"] in (0x200, 0x202, 0x204, 0x205)]
    expected = [n for n in begins if not (rows[n]["address"] == 0x205 and rows[n - 1]["address"] == 0x204)]
    expected = [n for n in expected if rows[n]["kind"] == Kind.READ]
    marks, _ = kernel(name, rows)
    assert (marks, len(rows)) == plain(name, rows)[:2]
    got = [n for n, mark in enumerate(marks) if mark == "fetch"]
    assert got == expected[expected.index(got[0]) :][: len(got)]
    assert len(got) >= 0.9 * len(expected)


@pytest.mark.parametrize("name", NAMES)
def test_nothing_and_always_the_same(name):
    assert kernel(name, []) == ([], 0)
    rows = [{"kind": Kind.READ, "address": 0x1000, "data": 0}] * 40
    marks, stop, _ = plain(name, rows)
    assert kernel(name, rows) == (marks, stop)
    assert "fetch" not in marks
