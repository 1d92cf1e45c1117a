"""Dumps of simulations without delays: all that an edge causes stands at the edge's own stamp.

Source of the truth: the cycles that this file itself draws; the answer must hold each of them.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest

from busledger.decoder.bus import KIND_NAMES, Kind
from busledger.decoder.capture import without_delays
from busledger.decoder.errors import CaptureError
from busledger.decoder.pipeline import Request, open_run, run_timing


def dump(path: Path, half_ns: int, cycles: int = 200, clock_every: int = 1) -> list[tuple[str, int, int]]:
    """A 6502 whose memory answers at once, as a simulator without delays writes it; (kind, address, data) a cycle."""
    chance = random.Random(7)
    lines = ["$timescale 1 ns $end", "$var wire 1 c PHI2 $end", "$var wire 1 w RW $end", "$var wire 16 a A [15:0] $end"]
    lines += ["$var wire 8 d D [7:0] $end", "$enddefinitions $end"]
    told, now = [], 0
    for _ in range(cycles):
        write, address, data = chance.random() < 0.4, chance.randrange(0x200, 0x300), chance.randrange(256)
        told.append(("write" if write else "read", address, data))
        lines += [f"#{now}", "0c", f"{int(not write)}w", f"b{address:b} a"]
        lines += [] if write else [f"b{data:b} d"]
        now += half_ns * clock_every
        lines += [f"#{now}", "1c"] + ([f"b{data:b} d"] if write else [])
        now += half_ns
    path.write_text("\n".join([*lines, f"#{now}", "0c", f"#{now + half_ns}", ""]))
    return told


def decoded(path: Path, exact: bool = False) -> tuple[list[tuple[str, int, int]], list[str], int]:
    run = open_run(Request(capture=path, profile="6502", exact=exact))
    blocks = [block.cycles for block in run.blocks()]
    told = [
        (KIND_NAMES[kind], address, data)
        for cycles in blocks
        for kind, address, data, unknown in zip(
            cycles.kind.tolist(),
            cycles.address.tolist(),
            cycles.data.tolist(),
            cycles.data_unknown.tolist(),
            strict=True,
        )
        if kind != Kind.IDLE and not unknown & 0xFF
    ]
    run.file.close()
    return told, [note.code for note in run.notes()], sum(int(cycles.flags.any()) for cycles in blocks)


def test_a_coarse_grid_without_a_gap_is_found_by_itself(tmp_path: Path) -> None:
    path = tmp_path / "loom.vcd"
    truth = dump(path, half_ns=500)
    told, notes, flagged = decoded(path)
    assert told == truth
    assert "exact" in notes and "sample-rate" not in notes
    assert flagged == 0


@pytest.mark.parametrize(("half_ns", "clock_every"), [(25, 1), (500, 2)], ids=["fine grid", "uneven clock"])
def test_others_are_read_so_on_request(tmp_path: Path, half_ns: int, clock_every: int) -> None:
    path = tmp_path / "loom.vcd"
    truth = dump(path, half_ns, clock_every=clock_every)
    assert "exact" not in decoded(path)[1]
    told, notes, _ = decoded(path, exact=True)
    assert told == truth
    assert "exact" in notes


def test_no_times_are_measured_where_there_are_none(tmp_path: Path) -> None:
    dump(tmp_path / "loom.vcd", half_ns=500)
    with pytest.raises(CaptureError, match="the stamps hold no delays"):
        run_timing(Request(capture=tmp_path / "loom.vcd", profile="6502"))


def test_what_stamps_show() -> None:
    steady = np.arange(0, 500 * 200, 500)
    assert without_delays(steady, 1_000_000)
    assert not without_delays(steady, 100_000)  # 50 ns: an analyser's rate
    assert not without_delays(steady[:40], 1_000_000)
    assert not without_delays(np.delete(steady, 90), 1_000_000)  # an edge lost to drift
    assert not without_delays(np.zeros(0, np.int64), 1_000_000)
